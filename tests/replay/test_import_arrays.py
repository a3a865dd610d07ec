"""HDF5 and NumPy files give the same run as the text of the same numbers."""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from rig.errors import InputError
from tests.replay.made import CASES, made
from tests.replay.tables import (
    RATE,
    columns_in,
    imported,
    read_si,
    same_columns,
    samples_in,
    series,
    text_of,
    write,
)

TABLE = series(seconds=5.0)
NAMES = ("time [s]", "load [kN]", "midspan [mm]", "support_left [mm]")
BY_PLACE = tuple(f"{name} = {i + 1}" for i, name in enumerate(NAMES))
RECORD = np.rec.fromarrays(list(TABLE.T), names=list(NAMES))
MOMENTS = np.datetime64("2001-01-31T18:00:00", "ns") + np.rint(TABLE[:, 0] * 1e9).astype("m8[ns]")


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    folder = tmp_path_factory.mktemp("plain")
    imported(write(folder, text_of(TABLE)))
    return folder / "run"


def hdf5(path, **datasets):
    with h5py.File(path, "w") as file:
        for name, values in datasets.items():
            file.create_dataset(f"daq/{name}", data=values)
    return path


def npy_of(array):
    return lambda path: np.save(path, array)


def npz_of(**arrays):
    return lambda path: np.savez(path, **arrays)


def hdf5_of(**datasets):
    return lambda path: hdf5(path, **datasets)


COLUMNS = {
    "npy, columns by place": (".npy", npy_of(TABLE), BY_PLACE),
    "npy, column by column": (".npy", npy_of(np.asfortranarray(TABLE)), BY_PLACE),
    "npy, fields with headings": (".npy", npy_of(RECORD), ()),
    "npz, an array a column": (
        ".npz",
        npz_of(t=TABLE[:, 0], f=TABLE[:, 1], more=TABLE[:, 2:]),
        ("time [s] = t", "load [kN] = f", "midspan [mm] = more:1", "support_left [mm] = more:2"),
    ),
    "hdf5, a dataset a column": (
        ".h5",
        hdf5_of(t=TABLE[:, 0], f=TABLE[:, 1], d=TABLE[:, 2:]),
        (
            "time [s] = /daq/t",
            "load [kN] = daq/f",
            "midspan [mm] = daq/d:1",
            "support_left [mm] = daq/d:2",
        ),
    ),
    "hdf5, fields": (
        ".hdf5",
        hdf5_of(all=RECORD),
        tuple(f"{name} = daq/all:{name}" for name in NAMES),
    ),
    "hdf5, date-times": (
        ".h5",
        hdf5_of(t=[str(m).encode() for m in MOMENTS], f=TABLE[:, 1], d=TABLE[:, 2:]),
        (
            "time = daq/t",
            "load [kN] = daq/f",
            "midspan [mm] = daq/d:1",
            "support_left [mm] = daq/d:2",
        ),
    ),
    "npz, date-times": (
        ".npz",
        npz_of(t=MOMENTS, f=TABLE[:, 1], d=TABLE[:, 2:]),
        ("time = t", "load [kN] = f", "midspan [mm] = d:1", "support_left [mm] = d:2"),
    ),
}


@pytest.mark.parametrize("way", COLUMNS)
def test_arrays_are_read_as_text_is(way, tmp_path):
    suffix, save, columns = COLUMNS[way]
    path = tmp_path / f"table{suffix}"
    save(path)
    same_columns(read_si(path, columns), read_si(write(tmp_path, text_of(TABLE))))


@pytest.mark.nights
@pytest.mark.parametrize("way", COLUMNS)
def test_arrays_give_the_same_run_as_text(way, plain, tmp_path):
    suffix, save, columns = COLUMNS[way]
    path = tmp_path / f"table{suffix}"
    save(path)
    imported(path, columns=columns)
    np.testing.assert_array_equal(samples_in(tmp_path / "run")[0], samples_in(plain)[0])
    rows, expected = columns_in(tmp_path / "run"), columns_in(plain)
    for name, column in expected.items():
        np.testing.assert_array_equal(rows[name], column, err_msg=name)


@pytest.mark.nights
def test_a_rate_stands_for_times_that_an_array_does_not_have(plain, tmp_path):
    path = tmp_path / "table.npy"
    np.save(path, TABLE[:, 1:])
    columns = tuple(f"{name} = {i + 1}" for i, name in enumerate(NAMES[1:]))
    imported(path, columns=columns, rate=RATE)
    assert samples_in(tmp_path / "run")[2] == RATE
    np.testing.assert_array_equal(columns_in(tmp_path / "run")["time"], columns_in(plain)["time"])


def inf_at(row):
    table = TABLE.copy()
    table[row, 1] = np.inf
    return table


REFUSED = {
    "no map": (".npy", npy_of(TABLE), (), 'no column "load"'),
    "a map to nothing": (".npy", npy_of(TABLE), ("load [kN] = 9",), "there is no column"),
    "objects": (".npy", npy_of(np.array([{}])), BY_PLACE, "is no NumPy file that can be read"),
    "words": (".npy", npy_of(np.full((9, 4), "x")), BY_PLACE, "no numbers"),
    "complex numbers": (".npy", npy_of(TABLE + 1j), BY_PLACE, "no numbers"),
    "three dimensions": (".npy", npy_of(TABLE[None]), BY_PLACE, "no arrays of one or two"),
    "an infinite value": (".npy", npy_of(inf_at(700)), BY_PLACE, ":701: column"),
    "text for a NumPy file": (".npy", lambda path: path.write_text("x"), (), "is no NumPy file"),
    "text for an archive": (".npz", lambda path: path.write_text("x"), (), "is no NumPy file"),
    "text for HDF5": (".h5", lambda path: path.write_text("x"), (), "is no HDF5 file"),
    "lengths that differ": (
        ".npz",
        npz_of(t=TABLE[:, 0], f=TABLE[:-1, 1]),
        ("time [s] = t", "load [kN] = f"),
        "same number of rows",
    ),
    "no rows": (".npy", npy_of(TABLE[:0]), BY_PLACE, "no rows"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_an_array_that_cannot_be_imported_gives_one_line(case, tmp_path):
    suffix, save, columns, says = REFUSED[case]
    path = tmp_path / f"table{suffix}"
    save(path)
    with pytest.raises(InputError) as raised:
        imported(path, columns=columns)
    assert says in str(raised.value)
    assert str(raised.value).isprintable()
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_a_damaged_hdf5_file_gives_one_line(tmp_path):
    path = tmp_path / "table.h5"
    with h5py.File(path, "w") as file:
        file.create_dataset("t", data=TABLE[:, 0], chunks=(100,), fletcher32=True)
        file.create_dataset("f", data=TABLE[:, 1], chunks=(100,), fletcher32=True)
        place = file["f"].id.get_chunk_info(3).byte_offset
    content = bytearray(path.read_bytes())
    content[place + 50] ^= 255
    path.write_bytes(content)
    with pytest.raises(InputError, match="/f is damaged between rows 1 and 1000"):
        imported(path, columns=("time [s] = t", "load [kN] = f"))


@pytest.mark.endurance
def test_the_record_of_a_run_is_told_as_one(tmp_path):
    run = made(tmp_path / "made", CASES["loss 1"])
    with pytest.raises(InputError, match=r"run.h5: is the record of a run already; judge it"):
        imported(run / "run.h5")
