"""A measured series, imported and replayed, against two libraries of others.

The series is `membrane.dat`, the potential of a nerve cell's membrane that comes with matplotlib
(`mpl-data/sample_data`, used in its gallery): 12,000 values 0.5 ms apart, with 57 spikes of some
70 mV. It is no rig's and of no shape that our extraction was made for. Turning points are held
against scipy's `find_peaks`, counts against `rainflow` (ASTM E1049-85, 5.4.4).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rainflow

from rig.commands.files import read_text
from rig.replay.recording import open_recording
from rig.replay.replaying import replay
from tests.assembly.nights import ROOT
from tests.replay.tables import columns_in, imported, samples_in, write

pytestmark = pytest.mark.xdist_group("scipy")  # it loads slowly: by one process

STEP = 0.0005  # s
LARGE = 0.3  # of the range: a spike, and no ripple between spikes
HEADING = "time [s],load [kN],deflection [mm]"


def membrane() -> np.ndarray:
    """Return the potential as a load [kN]: 1 kN a millivolt, above zero."""
    import matplotlib as mpl

    path = Path(mpl.get_data_path()) / "sample_data" / "membrane.dat"
    return 70.0 + 100.0 * np.fromfile(path, np.float32).astype(float)


def peaks_of(load: np.ndarray) -> np.ndarray:
    """Return the indices of the spikes, as scipy finds them."""
    from scipy.signal import find_peaks

    return find_peaks(load, prominence=LARGE * np.ptp(load))[0]


def made(folder: Path, load: np.ndarray) -> Path:
    rows = (f"{i * STEP:.4f},{v:.6f},{v / 40:.6f}" for i, v in enumerate(load))
    imported(write(folder, "\n".join((HEADING, *rows))))
    return folder / "run"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    return made(tmp_path_factory.mktemp("measured"), membrane())


def large_cycles(run: Path, load: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return begin and end [s] and largest load [kN] of the cycles with a large range."""
    rows = columns_in(run)
    ends = rows["time"] + 1 / rows["frequency"]
    high, low = rows["load_max"] / 1e3, rows["load_min"] / 1e3
    large = high - low >= LARGE * np.ptp(load)
    return rows["time"][large], ends[large], high[large]


def test_the_series_is_kept_as_it_was_measured(run):
    values, _, rate = samples_in(run)
    assert rate == 1 / STEP
    np.testing.assert_allclose(values[0] / 1e3, membrane(), rtol=1e-6)


@pytest.mark.nights
def test_each_large_cycle_holds_one_peak_and_each_peak_lies_in_one(run):
    load = membrane()
    begins, ends, _ = large_cycles(run, load)
    peaks = peaks_of(load)
    times = peaks * STEP
    held = (times[:, None] >= begins) & (times[:, None] < ends)
    assert (held.sum(axis=0) == 1).all()
    # The cycle of the last spike has no end.
    assert held.sum(axis=1).tolist() == [1] * 56 + [0]


def test_rainflow_counts_as_many_large_cycles(run):
    load = membrane()
    ranges = [(size, count) for size, _, count, _, _ in rainflow.extract_cycles(load)]
    counted = sum(count for size, count in ranges if size >= LARGE * np.ptp(load))
    assert counted == len(large_cycles(run, load)[0]) + 1 == 57


@pytest.mark.nights
def test_peaks_are_as_high_where_they_are_as_round_as_the_parabola_needs(tmp_path):
    """Extremes are fitted over a seventh of a cycle (10 ms here): spikes are made round first."""
    from scipy.ndimage import gaussian_filter1d

    load = gaussian_filter1d(membrane(), 0.005 / STEP)
    begins, ends, high = large_cycles(made(tmp_path, load), load)
    peaks = peaks_of(load)
    first, last = np.searchsorted(peaks * STEP, (begins, ends))
    assert (last - first == 1).all()
    np.testing.assert_allclose(high, load[peaks[first]], atol=0.04 * np.ptp(load))
    assert np.median(np.abs(high - load[peaks[first]])) < 0.02 * np.ptp(load)


PROTOCOL = """
title = "Spikes of a membrane"
specimen = "{specimen}"
specimen_id = "M-1"
exposure = "dry"
[loading]
control = "load"
capacity = "100 kN"
upper = "70 kN"
lower = "10 kN"
frequency = "14 Hz"
[[stage]]
name = "approach"
kind = "approach"
contact = "2 kN"
speed = "0.5 mm/s"
give_up_after = "10 mm"
[[stage]]
name = "spikes"
kind = "cyclic"
build_up = "5 cycles"
run_out = "40 cycles"
[baseline]
from = "5 cycles"
to = "20 cycles"
[failure]
stiffness_loss = {{ stop = "40 %", confirm = "5 cycles" }}
[limits]
load = ["-10 kN", "77 kN"]
"""


def test_the_series_is_judged_again_by_a_protocol(run, tmp_path):
    specimen = ROOT / "protocols" / "specimens" / "prism-small.toml"
    path = write(tmp_path, PROTOCOL.format(specimen=specimen), "spikes.toml")
    with open_recording(run) as recording:
        replayed = replay(recording, recording.plan_with(str(path), read_text))
    assert (replayed.outcome, replayed.cycles) == ("run-out", 40)
