"""run.h5 and segments as other programs see them: plain h5py, names written out here."""

import json
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

from rig.record import Recorder
from tests.record.runs import header, likely_rows

COLUMNS = {
    "number": ("<i8", "1"),
    "time": ("<f8", "s"),
    "load_max": ("<f4", "N"),
    "load_min": ("<f4", "N"),
    "deflection_max": ("<f4", "m"),
    "deflection_min": ("<f4", "m"),
    "midspan_max": ("<f4", "m"),
    "midspan_min": ("<f4", "m"),
    "support_left_max": ("<f4", "m"),
    "support_left_min": ("<f4", "m"),
    "stiffness": ("<f4", "N/m"),
    "energy": ("<f4", "J"),
    "frequency": ("<f4", "Hz"),
    "wet": ("|u1", "1"),
    "flags": ("<u2", "1"),
}
CRACKS = (
    *("time", "cycle", "text", "entry", "kind", "by", "crack", "face", "position", "height"),
    *("direction", "width", "length", "lost", "corrects", "picture", "fact", "wires", "at_utc"),
)
ROOT = {
    "protocol",
    "rig",
    "specimen",
    "series",
    "cycles",
    "build_up",
    "static",
    "full_rate",
    "slow",
    "events",
    "spray",
    "inspections",
    "cracks",
    "interruptions",
    "calibration",
    "zeros",
}
READER = """
import sys, h5py
with h5py.File(sys.argv[1], "r", libver=("v110", "v110"), swmr=True) as file:
    number = file["cycles/number"]
    for _ in sys.stdin:
        number.refresh()
        print(len(number), int(number[:].sum()), float(file["cycles/load_max"][:4096].sum()),
              flush=True)
"""


def finished(folder: Path, rows: int) -> Path:
    recorder = Recorder.create(folder, header())
    recorder.cycles(likely_rows(1, rows))
    return recorder.finish("run-out", "taken off", rows, 12.5)


def test_an_empty_run_has_every_group_and_column(tmp_path: Path) -> None:
    with h5py.File(finished(tmp_path / "run", 0), "r") as file:
        assert set(file) == ROOT
        for table in ("cycles", "build_up"):
            kinds = {n: (d.dtype.str, d.attrs["units"]) for n, d in file[table].items()}
            assert kinds == COLUMNS
            assert all(d.shape == (0,) for d in file[table].values())
        assert set(file["slow"]) == {"time", "temperature_air"}
        assert set(file["full_rate"]) == {"index", "load", "midspan", "support_left"}
        assert set(file["static/samples"]) == {"load", "midspan", "support_left"}
        assert {"time", "cycle", "stiffness", "reopening_load", "residual"} < set(file["static"])
        assert file["events"].dtype.names == ("time", "cycle", "kind", "text")
        assert file["cracks"].dtype.names == CRACKS
        index = ("label", "cycle", "first_frame", "offset", "frames", "rate")
        assert file["full_rate/index"].dtype.names == index


def test_root_attributes_say_what_the_file_is(tmp_path: Path) -> None:
    with h5py.File(finished(tmp_path / "run", 3), "r") as file:
        assert file.attrs["format"] == "nightrig-run"
        assert file.attrs["version"] == 1
        assert file.attrs["run_id"] == "plank-7"
        assert file.attrs["software"] == "nightrig 0.1.0"
        assert file.attrs["started_utc"] == "2001-01-01T18:00:00+00:00"
        assert file.attrs["outcome"] == "run-out"
        assert file.attrs["why"] == "taken off"
        assert file.attrs["cycles"] == 3
        assert file["protocol"][()].decode() == "title = 'é'\n"


def test_every_dataset_has_units_and_a_long_name(tmp_path: Path) -> None:
    found = []

    def look(name: str, item: h5py.Group | h5py.Dataset) -> None:
        if isinstance(item, h5py.Dataset):
            found.append(name)
            assert item.attrs["units"], name
            assert item.attrs["long_name"], name

    with h5py.File(finished(tmp_path / "run", 3), "r") as file:
        file.visititems(look)
    assert len(found) > 40


def test_flags_say_what_each_bit_means(tmp_path: Path) -> None:
    with h5py.File(finished(tmp_path / "run", 3), "r") as file:
        meanings = json.loads(file["cycles/flags"].attrs["meanings"])
    assert meanings["1"] == "short"
    assert meanings["16"] == "spray"
    assert meanings["32"] == "after-end"
    assert len(meanings) == 9


def test_a_second_process_reads_the_segment_while_it_is_written(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    rows = likely_rows(1, 3 * 4096)
    segment = tmp_path / "run" / "segments" / "0001.h5"
    recorder.cycles(rows.part(0, 4096))
    command = [sys.executable, "-c", READER, str(segment)]
    with subprocess.Popen(command, stdin=-1, stdout=-1, text=True) as reader:
        assert reader.stdin is not None
        assert reader.stdout is not None
        expected = float(rows["load_max"][:4096].sum())
        for stop in (4096, 8192, 12288):
            recorder.cycles(rows.part(recorder.counted, stop))
            reader.stdin.write("look\n")
            reader.stdin.flush()
            length, total, load = reader.stdout.readline().split()
            assert (int(length), int(total)) == (stop, stop * (stop + 1) // 2)
            assert float(load) == expected
        reader.stdin.close()
        assert reader.wait() == 0
    recorder.abandon()


def test_hdf5_decodes_the_sealed_chunks_and_refuses_a_flipped_bit(tmp_path: Path) -> None:
    rows = likely_rows(1, 4096)
    path = finished(tmp_path / "run", 4096)
    places = {}
    with h5py.File(path, "r") as file:
        for name, column in rows.columns.items():
            np.testing.assert_array_equal(file["cycles"][name][:], column)
            chunk = file["cycles"][name].id.get_chunk_info(0)
            assert chunk.filter_mask == 0
            places[name] = chunk.byte_offset + chunk.size // 2
    whole = path.read_bytes()
    for name, at in places.items():
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        with h5py.File(path, "r") as file, pytest.raises(OSError, match=r"(?i)can't|filter|read"):
            file["cycles"][name][:]
