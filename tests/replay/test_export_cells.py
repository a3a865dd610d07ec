"""Numbers and texts of any kind come back out of a CSV cell as they were."""

import csv
import io
import re

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.replay.cells import cell_text, number_cells, text_cell
from rig.replay.chosen_units import chosen_units, converted, written_in
from rig.units import UNITS, parse
from tests.replay.read_back import same_bits

FACTORS = ("kN", "MN", "lbf", "kip", "cm", "mm", "um", "in", "ft", "bar", "psi", "L/min", "gal")
SI = {"force": "N", "length": "m", "stress": "Pa", "flow": "m3/s", "volume": "m3"}
singles = st.lists(st.floats(width=32), min_size=1, max_size=20)


@given(st.text())
@example("=1+1")
@example("'=1+1")
@example(" \t-2 mm at mid-span")
@example("\uff1dcmd|' /C calc'!A0")
@example('a "quoted", comma\nnew line\r\n and \\n, \\x1b')
@example("\x1b[2J\x00\u202e\u2028\udc80")
def test_any_text_comes_back(text):
    file = io.StringIO(newline="")
    csv.writer(file, lineterminator="\n").writerow([text_cell(text), "end"])
    file.seek(0)
    ((cell, end),) = csv.reader(file)
    assert (cell_text(cell), end) == (text, "end")


@given(st.text(st.sampled_from("=+-@'\uff1d\uff0b \t\nx"), min_size=1))
def test_no_text_begins_like_a_formula(text):
    assert text_cell(text).lstrip()[:1] not in {*"=+-@\uff1d\uff0b"}


@given(st.text(st.sampled_from("=+-@'\uff1d\uff20 ;\t\n\"x"), min_size=1))
@example('a;=1+1;"@x"')
def test_no_text_holds_a_formula_for_a_spreadsheet_that_separates_otherwise(text):
    # Where the decimal sign is a comma the semicolon separates (common practice, no source).
    cells = re.split("[;\t\n]", text_cell(text))
    assert not [c for c in cells if c.strip(' "')[:1] in {*"=+-@\uff1d\uff20"} - {""}]
    assert cell_text(text_cell(text)) == text


def test_what_a_terminal_obeys_is_spelt_out():
    assert text_cell("\x1b[31m\u202e\x00ü °\n\t") == "\\x1b[31m\\u202e\\x00ü °\n\t"


def read(cells, factor=1.0, zero=0.0):
    written = np.array([float(cell or "nan") for cell in cells]) * factor
    return written + zero if zero else written  # else -0.0 would become 0.0


@given(singles, st.sampled_from(("N", *FACTORS)))
def test_float32_comes_back_from_every_unit(values, unit):
    exact = np.array(values, np.float32)
    dimension = next(d for d in UNITS if unit in UNITS[d])
    written = written_in(SI[dimension], "load", chosen_units(unit))
    found, inexact = converted(exact, written)
    back = read(number_cells(found), UNITS[dimension][unit]).astype(np.float32)
    assert inexact == 0
    assert same_bits(back, exact)


@given(st.lists(st.floats(), min_size=1, max_size=20))
def test_float64_comes_back_in_si(values):
    exact = np.array(values)
    found, inexact = converted(exact, written_in("s", "time", {}))
    assert inexact == 0
    assert same_bits(read(number_cells(found)), exact)


@given(
    st.lists(st.floats(-1e9, 1e9).filter(lambda x: x == 0 or abs(x) > 1e-300), min_size=1),
    st.sampled_from(("min", "h", "ms")),
)
def test_float64_in_another_unit_is_off_by_one_bit_at_most_and_says_where(values, unit):
    exact = np.array(values)
    found, inexact = converted(exact, written_in("s", "time", chosen_units(unit)))
    back = read(number_cells(found), UNITS["time"][unit])
    assert inexact == np.sum(back != exact)
    assert np.all(np.abs(back - exact) <= np.spacing(np.abs(exact)))


@given(st.lists(st.floats(1.0, 2000.0, width=32), min_size=1), st.sampled_from(("degC", "degF")))
def test_temperatures_come_back(values, unit):
    exact = np.array(values, np.float32)
    found, inexact = converted(exact, written_in("K", "temperature_air", chosen_units(unit)))
    back = read(number_cells(found), UNITS["temperature"][unit], parse(f"0 {unit}", "temperature"))
    assert inexact == 0
    assert same_bits(back.astype(np.float32), exact)


def test_no_more_digits_than_needed_are_written():
    exact = np.array([0.000605, 92_000.5, 291.5, 1 / 3, 0.0, -0.0, np.nan], np.float32)
    said = ["0.000605", "92000.5", "291.5", "0.33333334", "0.0", "-0.0", ""]
    assert number_cells(converted(exact, written_in("N", "load", {}))[0]) == said
    in_degrees = converted(exact[2:3], written_in("K", "temperature_air", {"temperature": "degC"}))
    assert number_cells(in_degrees[0]) == ["18.35"]


def test_stiffness_is_written_in_the_units_of_force_and_length():
    assert written_in("N/m", "stiffness", chosen_units("kN,mm")).unit == "kN/mm"
    assert written_in("N/m", "stiffness", chosen_units("kN")).unit == "kN/m"
    assert written_in("1", "strain_2_max", chosen_units("um/m")).unit == "um/m"
    assert written_in("1", "wet", chosen_units("um/m")).unit == "1"


def test_accelerations_and_insulations_are_written_in_units_of_their_own():
    assert written_in("m/s2", "acceleration_max", chosen_units("g")).factor == 9.80665
    assert written_in("Ohm", "insulation_2", chosen_units("MOhm")).factor == 1e6


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("kN,mn", '"mn" is unknown; did you mean min?'),
        ("kNm", '"kNm" is unknown'),
        ("kN,kip", "kN and kip are both units of force"),
        ("=1\x1b", '"=1?" is unknown'),
    ],
)
def test_a_unit_that_cannot_be_used_is_named(words, said):
    with pytest.raises(InputError, match="--units: ") as refused:
        chosen_units(words)
    assert said in str(refused.value)
