"""What is exported can be imported again, as the same samples and rows."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from rig.record import FullRateRecord, Recorder, StaticRecord
from rig.replay.chosen_units import chosen_units
from rig.replay.exporting import export
from rig.replay.importing import Wanted, import_file
from rig.replay.recording import open_recording
from tests.record.runs import SAMPLED, header, likely_rows
from tests.replay.read_back import same_bits

RATE = 1000.0


def samples() -> np.ndarray:
    """Load cycles at 4 Hz with noise, as a device gives them: float32, a few missing, some zero."""
    rng = np.random.default_rng(8)
    time = np.arange(10_000) / RATE
    wave = 0.5 - 0.5 * np.cos(2 * np.pi * 4.0 * time)
    clean = np.stack((9.2e3 + 8e4 * wave, 1.6e-3 * wave, 1e-4 * wave))
    noisy = clean + rng.normal(0.0, 1.0, clean.shape) * np.array([[10.0], [1e-6], [1e-6]])
    found = noisy.astype(np.float32)
    found[0, 5000] = found[1, 7000:7003] = np.nan
    found[2, :2] = 0.0, -0.0
    return found


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recorded") / "run"
    recorder = Recorder.create(folder, header())
    recorder.cycles(likely_rows(1, 300))
    recorder.full_rate(FullRateRecord("stop", 300, 60_000, RATE, SAMPLED, samples()))
    recorder.finish("run-out", "taken off", 300, 80.0)
    return folder


def again(run: Path, file: str, folder: Path, units: str) -> Path:
    """Export a run, import one of the files, and return the folder of the new run."""
    with open_recording(run) as recording:
        export(recording, folder / "csv", chosen=chosen_units(units))
    import_file(Wanted(folder / "csv" / file, folder / "again"))
    return folder / "again"


@pytest.mark.parametrize("units", ["SI", pytest.param("kN,mm", marks=pytest.mark.nights)])
def test_samples_are_imported_again_bit_for_bit(run, tmp_path, units):
    back = again(run, "full_rate/0001.csv", tmp_path, units)
    with open_recording(back) as recording:
        pieces = list(recording.full_rate())
    assert pieces[0].channels == SAMPLED
    assert pieces[0].rate == RATE
    assert same_bits(np.concatenate([p.values for p in pieces], axis=1), samples())


@pytest.mark.parametrize("units", ["kN,mm,h", pytest.param("SI", marks=pytest.mark.nights)])
def test_rows_of_cycles_are_imported_again_bit_for_bit(run, tmp_path, units):
    back = again(run, "cycles.csv", tmp_path, units)
    rows = likely_rows(1, 300)
    with open_recording(back) as recording:
        (found,) = recording.table("cycles")
    for name in rows.columns:
        if name != "time" or units == "SI":  # hours lose the last bit of some, and say so
            assert same_bits(found[name], np.asarray(rows[name])), name


@pytest.mark.nights
def test_means_of_a_slow_loading_are_imported_again(tmp_path):
    names = ("load", "midspan", "support_left", "deflection")
    means = np.linspace((1e3, 1e-4, 1e-5, 9e-5), (4e4, 1e-3, 1e-4, 9e-4), 50).T.astype(np.float32)
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.static(StaticRecord(3.0, 0, math.nan, math.nan, math.nan, names, 10.0, 3000, means))
    recorder.finish("operator", "taken off", 0, 80.0)
    back = again(tmp_path / "run", "static/0001.csv", tmp_path, "SI")
    with open_recording(back) as recording:
        (record,) = recording.full_rate()
    assert record.channels == names[:3]
    assert same_bits(record.values, means[:3])


@pytest.mark.nights
def test_what_was_imported_is_exported_as_the_same_file(run, tmp_path):
    back = again(run, "full_rate/0001.csv", tmp_path, "SI")
    with open_recording(back) as recording:
        export(recording, tmp_path / "twice", ("full-rate",))
    name = "full_rate/0001.csv"
    assert (tmp_path / "twice" / name).read_bytes() == (tmp_path / "csv" / name).read_bytes()
