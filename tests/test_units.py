"""Quantities against pint's registry, exact definitions, and every slip of the pen we know."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.units import UNITS, UnitError, example, parse, parse_any, parse_unit

BASE = {
    "force": "N",
    "length": "m",
    "speed": "m/s",
    "time": "s",
    "frequency": "1/s",
    "stress": "Pa",
    "moment": "N*m",
    "mass density": "kg/m**3",
    "area": "m**2",
    "flow": "m**3/s",
    "volume": "m**3",
    "temperature": "kelvin",
    "temperature difference": "kelvin",
    "force rate": "N/s",
    "fraction": "dimensionless",
    "strain": "dimensionless",
    "mass": "kg",
    "acceleration": "m/s**2",
    "resistance": "ohm",
}
SPELLED = {
    "d": "day",
    "h": "hour",
    "t": "metric_ton",
    "t/m3": "metric_ton/m**3",
    "g": "standard_gravity",
    "Ohm": "ohm",
    "kOhm": "kiloohm",
    "MOhm": "megaohm",
    "GOhm": "gigaohm",
    "Hz": "1/s",
    "kHz": "1000/s",
    "Nm": "N*m",
    "kNm": "kN*m",
    "MNm": "MN*m",
}
EVERY = [(d, u) for d, units in UNITS.items() for u in units if d != "cycles"]
QUANTITIES = st.sampled_from([(d, u) for d, units in UNITS.items() for u in units])


@pytest.fixture(scope="module")
def registry():
    import pint  # it loads slowly, and other processes need none of it

    return pint.UnitRegistry()


def in_pint(unit: str) -> str:
    spelled = SPELLED.get(unit, unit)
    if spelled == "mHz":
        return "0.001/s"
    spelled = re.sub(r"\bL\b", "liter", spelled).replace("mL", "milliliter")
    spelled = re.sub(r"\bgal\b", "US_liquid_gallon", spelled).replace("%", "percent")
    return re.sub(r"(?<=[a-z])([23])\b", r"**\1", spelled).replace("-", "*")


@pytest.mark.nights
@pytest.mark.xdist_group("units")
@pytest.mark.parametrize(("dimension", "unit"), EVERY)
def test_every_unit_has_the_factor_of_pint(registry, dimension, unit):
    spelled = in_pint(unit)
    if spelled[0].isdigit():
        factor, _, per = spelled.partition("/")
        expected = registry.Quantity(2.5 * float(factor), f"1/{per}").m_as(BASE[dimension])
    else:
        expected = registry.Quantity(2.5, spelled).m_as(BASE[dimension])
    assert parse(f"2.5 {unit}", dimension) == pytest.approx(expected, rel=1e-12)


# NIST SP 811 (2008), Appendix B.8: factors printed there, exact ones in bold.
@pytest.mark.parametrize(
    ("text", "dimension", "expected"),
    [
        ("1 lbf", "force", 4.4482216152605),
        ("1 kip", "force", 4448.2216152605),
        ("1 in", "length", 0.0254),
        ("1 ft", "length", 0.3048),
        ("1 psi", "stress", 6.894757e3),
        ("1 ksi", "stress", 6.894757e6),
        ("1 lbf-ft", "moment", 1.355818),
        ("1 lbf-in", "moment", 0.1129848),
        ("1 lb/ft3", "mass density", 16.01846),
        ("1 gal", "volume", 3.785412e-3),
        ("1 gal/min", "flow", 6.309020e-5),
        ("1 in2", "area", 6.4516e-4),
    ],
)
def test_us_units_have_the_factors_of_nist(text, dimension, expected):
    assert parse(text, dimension) == pytest.approx(expected, rel=5e-7)


def test_kip_is_the_exact_pound_and_standard_gravity():
    exact = Fraction("0.45359237") * Fraction("9.80665") * 1000
    assert parse("8 kip", "force") == pytest.approx(float(8 * exact), rel=1e-15)


@pytest.mark.parametrize(
    ("text", "kelvin"),
    [("20 degC", 293.15), ("20 °C", 293.15), ("68 degF", 293.15), ("-40 degF", 233.15)],
)
def test_temperatures_have_their_zero(text, kelvin):
    assert parse(text, "temperature") == pytest.approx(kelvin, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension", "problem", "remedy"),
    [
        (5, "frequency", "5 has no unit", '"4 Hz"'),
        (True, "force", "true is no quantity", '"92 kN"'),
        ("5", "frequency", '"5" has no unit', '"4 Hz"'),
        ("", "force", "not a number", '"92 kN"'),
        ("kN", "force", "not a number", '"92 kN"'),
        ("70 kNm", "force", '"70 kNm" is a moment', '"92 kN"'),
        ("5 mm", "force", '"5 mm" is a length', '"92 kN"'),
        ("5 N", "force rate", '"5 N" is a force', '"0.5 kN/s"'),
        ("35 KN", "force", 'unknown unit "KN"', 'did you mean "kN"?'),
        ("35 kn", "force", 'unknown unit "kn"', 'did you mean "kN"?'),
        ("3 mins", "time", 'unknown unit "mins"', 'did you mean "min"?'),
        ("1,5 kN", "force", "comma", "point"),
        ("1,500 kN", "force", "comma", "point"),
        ("1.500 cycles", "cycles", "can be read as 1.5 or as 1500", 'write "1500 cycles"'),
        ("nan kN", "force", "not a finite number", '"92 kN"'),
        ("inf kN", "force", "not a finite number", '"92 kN"'),
        ("-Infinity kN", "force", "not a finite number", '"92 kN"'),
        ("1e999 kN", "force", "not a finite number", '"92 kN"'),
        ("5 Hz * 2", "frequency", "unknown unit", "known are"),
        ("2 h 30 min", "time", "unknown unit", "known are"),
        ("5 cycle/s", "frequency", "unknown unit", "known are"),
        ("٣ kN", "force", "not a number", '"92 kN"'),
        ("0.1 degC", "temperature difference", "is a temperature", '"0.1 K"'),
    ],
)
def test_a_slip_of_the_pen_is_refused_with_what_would_be_right(text, dimension, problem, remedy):
    with pytest.raises(UnitError) as caught:
        parse(text, dimension)
    assert problem in caught.value.problem
    assert remedy in caught.value.remedy


def test_one_of_several_dimensions_is_told_apart():
    assert parse_any("70 %", ("force", "fraction")) == (pytest.approx(0.7), "fraction")
    assert parse_any("8 kip", ("force", "fraction"))[1] == "force"


def test_every_dimension_has_an_example_that_parses():
    for dimension in UNITS:
        quoted = re.search(r'"(.*)"', example(dimension))
        assert quoted is not None
        assert math.isfinite(parse(quoted[1], dimension))


@given(value=st.floats(-1e12, 1e12), quantity=QUANTITIES)
def test_any_number_written_by_python_is_read_to_its_last_digit(value, quantity):
    dimension, unit = quantity
    # Three digits behind one point of a count may be thousands: refused.
    assume(dimension != "cycles" or not re.fullmatch(r"-?[1-9]\d{0,2}\.\d{3}", repr(value)))
    read = parse(f"{value!r} {unit}", dimension)
    zero = parse(f"0 {unit}", dimension)
    assert read == value * UNITS[dimension][unit] + zero


@given(quantity=QUANTITIES, other=st.sampled_from(sorted(UNITS)))
def test_no_unit_is_taken_for_another_dimension(quantity, other):
    unit = quantity[1]
    if unit in UNITS[other]:
        parse(f"1 {unit}", other)
        return
    with pytest.raises(UnitError):
        parse(f"1 {unit}", other)


@given(text=st.text(max_size=20), dimension=st.sampled_from(sorted(UNITS)))
def test_any_text_is_a_finite_value_or_one_kind_of_error(text, dimension):
    try:
        value = parse(text, dimension)
    except UnitError as error:
        said = (error.problem, error.remedy)
    else:
        said = (str(math.isfinite(value)), "True")
    assert all(part and part.isprintable() for part in said)
    assert said[0] != "False"


@pytest.mark.parametrize("dimension", UNITS)
def test_a_unit_by_itself_means_what_it_means_behind_a_number(dimension):
    for unit in UNITS[dimension]:
        factor, offset = parse_unit(f" {unit} ", dimension)
        for number in (-40.0, 0.0, 2.5):
            assert factor * number + offset == pytest.approx(parse(f"{number} {unit}", dimension))


@pytest.mark.parametrize(
    ("text", "dimension", "said"),
    [
        ("mm", "force", '"mm" is a unit of length; give one of N, kN, MN, lbf, kip'),
        ("1 kN", "force", '"1 kN" is no unit of force'),
        ("kn", "force", 'did you mean "kN"?'),
        ("", "time", '"" is no unit of time'),
        (7, "time", "7 is no unit; give one of ms, s, min, h, d"),
        ("degC", "temperature difference", "is a unit of temperature; give one of K"),
    ],
)
def test_what_is_no_unit_of_its_kind_is_answered_with_those_that_are(text, dimension, said):
    with pytest.raises(UnitError) as caught:
        parse_unit(text, dimension)
    assert said in str(caught.value)


def test_signs_stand_for_the_letters_of_a_unit():
    assert parse_unit("µm", "length") == (1e-6, 0.0)
    assert parse_unit("°C", "temperature") == (1.0, 273.15)
    assert parse("100 MΩ", "resistance") == parse("100 M\N{OHM SIGN}", "resistance") == 1e8
    assert parse("2 m/s²", "acceleration") == 2.0
