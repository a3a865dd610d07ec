"""Rows of cycles: kept as they are, numbered without a hole, and what is missing worked out."""

from __future__ import annotations

import numpy as np
import pytest

from rig.errors import InputError
from rig.record import read_run, trouble_in_run_file
from rig.samples import Flag
from tests.replay.tables import columns_in, imported, write

HEADING = "cycle,time [s],load_max [kN],load_min [kN],deflection_max [mm],deflection_min [mm]"
COUNT = 10_000


def rows(numbers=None):
    """Return lines of rows of the given cycles, at 4 Hz."""
    numbers = np.arange(1, COUNT + 1) if numbers is None else numbers
    return [f"{n},{n / 4},{90 + n % 7 / 10},9,{1.5 + n * 1e-5:.5f},0.2" for n in numbers]


def test_rows_are_kept_as_they_are(tmp_path):
    found = imported(write(tmp_path, "\n".join((HEADING, *rows()))))
    assert (found.kind, found.cycles, found.rows) == ("cycles", COUNT, COUNT)
    table = columns_in(tmp_path / "run")
    number = np.arange(1, COUNT + 1)
    np.testing.assert_array_equal(table["number"], number)
    np.testing.assert_array_equal(table["time"], number / 4)
    load = ((90 + number % 7 / 10) * 1e3).astype(np.float32)
    np.testing.assert_array_equal(table["load_max"], load)
    np.testing.assert_array_equal(table["load_min"], np.float32(9e3))
    assert trouble_in_run_file(tmp_path / "run") == ""


@pytest.mark.nights
def test_stiffness_is_worked_out_of_the_extremes_and_the_rest_is_unknown(tmp_path):
    imported(write(tmp_path, "\n".join((HEADING, *rows()))))
    table = columns_in(tmp_path / "run")
    bent = table["deflection_max"].astype(float) - table["deflection_min"]
    expected = (table["load_max"].astype(float) - table["load_min"]) / bent
    np.testing.assert_allclose(table["stiffness"], expected, rtol=1e-4)
    np.testing.assert_allclose(table["frequency"], 4.0, rtol=1e-4)
    for name in ("energy", "midspan_max", "midspan_min"):
        assert np.isnan(table[name]).all()
    assert not table["flags"].any()
    assert not table["wet"].any()


@pytest.mark.nights
def test_what_the_file_has_is_not_worked_out(tmp_path):
    heading = "number,load_max [N],stiffness [kN/mm],energy [kJ],frequency [mHz],wet,flags"
    text = f"{heading}\n1,5,60,0.5,2000,1,16\n2,6,61,,2001,0,130\n"
    found = imported(write(tmp_path, text))
    table = columns_in(tmp_path / "run")
    assert table["stiffness"].tolist() == [60e6, 61e6]
    assert table["frequency"].tolist() == [2.0, np.float32(2.001)]
    assert table["energy"][0] == 500
    assert np.isnan(table["energy"][1])
    assert (table["wet"].tolist(), table["flags"].tolist()) == ([1, 0], [16, 130])
    assert any("no times" in note for note in found.notes)


def test_missing_cycles_become_rows_that_are_not_judged(tmp_path):
    numbers = np.array([3, 4, 5, 9, 10, *range(11, 30)])
    found = imported(write(tmp_path, "\n".join((HEADING, *rows(numbers)))))
    assert found.cycles == 29
    assert (found.gaps.count, found.gaps.total, found.gaps.first) == (2, 5, [2, 5])
    table = columns_in(tmp_path / "run")
    missing = [1, 2, 6, 7, 8]
    flagged = (table["flags"].astype(int) & Flag.LONG_GAP) != 0
    assert table["number"][flagged].tolist() == missing
    assert np.isnan(table["load_max"][flagged]).all()
    np.testing.assert_allclose(table["time"], np.arange(1, 30) / 4)


@pytest.mark.nights
def test_rows_that_do_not_go_forward_are_left_out(tmp_path):
    lines = rows()
    lines.insert(5, lines[4])
    lines.insert(300, lines[7])
    lines[500] = lines[500].replace("499,124.75", "499,1.0")
    found = imported(write(tmp_path, "\n".join((HEADING, *lines))))
    assert (found.repeated.first, found.backward.first) == ([7], [302, 502])
    assert found.gaps.total == 1
    with read_run(tmp_path / "run") as run:
        assert run.cycles == COUNT


@pytest.mark.nights
@pytest.mark.parametrize("supports", ["", ",support_left_max [mm]"])
def test_midspan_stands_for_the_deflection_where_no_support_is_measured(supports, tmp_path):
    heading = "load_max [kN],load_min [kN],midspan_max [mm],midspan_min [mm]" + supports
    line = "90,10,1.5,0.5" + (",0.1" if supports else "")
    imported(write(tmp_path, "\n".join((heading, *[line] * 9))))
    table = columns_in(tmp_path / "run")
    assert np.isnan(table["stiffness"]).all() == bool(supports)
    if not supports:
        np.testing.assert_allclose(table["stiffness"], 80e6, rtol=1e-4)


@pytest.mark.nights
def test_many_missing_rows_come_in_pieces(tmp_path):
    numbers, times = np.array([1, 2, 300_000]), np.array([0.0, 0.25, 75_000.0])
    text = "\n".join(f"{n},{t},90,9,1.5,0.2" for n, t in zip(numbers, times, strict=True))
    found = imported(write(tmp_path, f"{HEADING}\n{text}"))
    assert (found.cycles, found.gaps.total) == (300_000, 299_997)
    table = columns_in(tmp_path / "run")
    np.testing.assert_array_equal(table["number"], np.arange(1, 300_001))
    np.testing.assert_allclose(table["time"], np.interp(table["number"], numbers, times))
    assert ((table["flags"] & Flag.LONG_GAP) == 0).nonzero()[0].tolist() == [0, 1, 299_999]


def test_more_missing_rows_than_a_test_has_are_refused(tmp_path):
    text = "\n".join(f"{1 + i * 9_000_000},{i + 1},90,9,1.5,0.2" for i in range(15))
    with pytest.raises(InputError, match=r"table\.csv:3: .* rows are missing, 1[0-9,]{10} in all"):
        imported(write(tmp_path, f"{HEADING}\n{text}"))


def test_rows_that_tell_no_stiffness_say_so(tmp_path):
    text = "cycle,load_max [kN],load_min [kN],deflection_max [mm]\n1,90,9,1.5\n2,90,9,1.5\n"
    found = imported(write(tmp_path, text))
    assert any("stiffness is not known" in note for note in found.notes)


@pytest.mark.nights
def test_the_values_that_are_shown_are_those_of_the_whole_file(tmp_path):
    # More than one piece of the file: the last row is in another one than the first.
    lines = [f"{n},90,9,1.5,0.2" for n in range(1, 200_000)]
    text = "\n".join((HEADING.replace("time [s],", ""), *lines, "200000,95,8,1.7,0.1"))
    found = imported(write(tmp_path, text))
    shown = dict(zip((c.name for c in found.channels), found.measured, strict=True))
    assert shown["load"] == (8e3, 95e3)
