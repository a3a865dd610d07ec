"""Lines with numbers in them: exactly the rig file's words, and numbers that keep their size."""

from __future__ import annotations

import math
import re
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.templates import KINDS, fill, said, written
from rig.errors import SetpointRefused
from rig.protocol.wire import ACTIONS, Scaling
from tests.drivers.controllers import INCH, KIP

WRITTEN: dict[str, tuple[float, int, str]] = {
    "to the last decimal": (12.34567, 3, "12.346"),
    "filled up": (12.0, 3, "12.000"),
    "no decimals": (12.6, 0, "13"),
    "small, without exponent": (1e-7, 9, "0.000000100"),
    "large, without exponent": (1e17, 1, "100000000000000000.0"),
    "no negative zero": (-1e-9, 6, "0.000000"),
    "negative": (-1.5, 1, "-1.5"),
}


@pytest.mark.parametrize(("value", "decimals", "text"), WRITTEN.values(), ids=WRITTEN.keys())
def test_numbers_are_written(value: float, decimals: int, text: str) -> None:
    assert written(value, decimals) == text


@given(st.floats(-1e9, 1e9), st.integers(0, 9))
def test_a_number_is_plain_and_at_most_half_a_decimal_off(value: float, decimals: int) -> None:
    text = written(value, decimals)
    assert re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", text)
    assert abs(Decimal(text) - Decimal(value)) <= Decimal(10) ** -decimals / 2
    assert text.strip("-0.") or not text.startswith("-")


# Factors of NIST Special Publication 811 (2008), appendix B.8: the results are worked out here.
SAID: dict[str, tuple[str, float, Scaling, int, str]] = {
    "10 kN in kN": ("to", 10e3, Scaling(1e3), 6, "10.000000"),
    "10 kN in kip": ("to", 10e3, Scaling(KIP), 4, "2.2481"),
    "8 kip in kip": ("to", 35585.772922084, Scaling(KIP), 4, "8.0000"),
    "1/2 in in in": ("to", 12.7e-3, Scaling(INCH), 4, "0.5000"),
    "0.2 mm/min in mm/s": ("speed", 0.2e-3 / 60, Scaling(1e-3), 6, "0.003333"),
    "500 N/s in kip/min": ("rate", 500.0, Scaling(KIP / 60), 4, "6.7443"),
    "2 s in min": ("over", 2.0, Scaling(60.0), 4, "0.0333"),
    "no time at all": ("over", 0.0, Scaling(1.0), 3, "0.000"),
    "a load that reads 5 kN at zero": ("to", 0.0, Scaling(1e3, 5e3), 1, "-5.0"),
    "an amplitude does not know that zero": ("amplitude", 7e3, Scaling(1e3, 5e3), 1, "7.0"),
    "a load of nearly nothing": ("to", 1e-6, Scaling(1e3), 6, "0.000000"),
}


@pytest.mark.parametrize(
    ("place", "si", "scaling", "decimals", "text"), SAID.values(), ids=SAID.keys()
)
def test_a_controller_is_told_its_own_units(
    place: str, si: float, scaling: Scaling, decimals: int, text: str
) -> None:
    assert said(place, si, scaling, decimals) == text


def test_a_slow_speed_never_becomes_none() -> None:
    with pytest.raises(SetpointRefused) as told:
        said("speed", 0.2e-3 / 60, Scaling(1.0), 6)
    assert str(told.value) == (
        "speed 3.33333e-06 in the controller's unit becomes 0.000003 with 6 decimals; the command "
        "was not sent; give [controller] more decimals or a smaller unit"
    )
    with pytest.raises(SetpointRefused):
        said("frequency", 4e-7, Scaling(1.0), 6)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_not_said(value: float) -> None:
    with pytest.raises(SetpointRefused, match="is no number; the command was not sent"):
        said("to", value, Scaling(1e3), 6)


@given(
    st.sampled_from(["speed", "rate", "frequency", "over"]),
    st.floats(0, 1e6),
    st.sampled_from([1.0, 1e3, 1e-3, KIP, KIP / 60, INCH]),
    st.integers(0, 9),
)
def test_what_is_said_is_within_a_hundredth_of_what_is_meant(
    place: str, si: float, factor: float, decimals: int
) -> None:
    try:
        text = said(place, si, Scaling(factor), decimals)
    except SetpointRefused:
        # Only numbers that have fewer than two digits at that many decimals.
        assert si / factor < 51 * 10.0**-decimals
        return
    assert float(text) * factor == pytest.approx(si, rel=0.0101, abs=0)


@given(st.floats(-1e6, 1e6), st.sampled_from([1e3, KIP, INCH]), st.floats(-10, 10))
def test_a_position_comes_back_from_what_is_said(si: float, factor: float, zero: float) -> None:
    scaling = Scaling(factor, zero)
    assert abs(scaling.si(float(said("to", si, scaling, 6))) - si) <= 0.51e-6 * factor + 1e-9


# Filling.


def test_places_are_filled_and_nothing_else_changes() -> None:
    line = "SOURce:FORCe:RAMP {to},{rate};*OPC {to}%d%s$to"
    filled = fill(line, {"to": "1.0", "rate": "2.0"})
    assert filled == "SOURce:FORCe:RAMP 1.0,2.0;*OPC 1.0%d%s$to"


@pytest.mark.parametrize(
    "line", ["{}", "{0}", "{to.__class__}", "{to!r}", "{to:.3f}", "{rate[0]}", "{ to }"]
)
def test_a_place_is_a_name_and_nothing_cleverer(line: str) -> None:
    with pytest.raises(KeyError):
        fill(line, {"to": "1.0", "rate": "2.0"})


def test_what_is_put_in_is_not_filled_again() -> None:
    assert fill("{limit} {low}", {"limit": "{low}", "low": "1"}) == "{low} 1"
    assert fill("{{to}} }{", {"to": "1"}) == "{1} }{"


PLACE = st.sampled_from(["to", "speed", "mean"])
TEXT = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters="{}"))


@given(st.lists(st.tuples(TEXT, PLACE), max_size=5), TEXT, st.floats(-1e6, 1e6))
def test_any_line_is_its_own_text_with_numbers(
    parts: list[tuple[str, str]], tail: str, number: float
) -> None:
    values = {name: written(number + i, 6) for i, name in enumerate(("to", "speed", "mean"))}
    line = "".join(f"{text}{{{name}}}" for text, name in parts) + tail
    assert fill(line, values) == "".join(text + values[name] for text, name in parts) + tail


def test_every_place_of_an_action_has_a_unit() -> None:
    words = {"limit", "low", "high", "count", "number"}  # filled by hand
    assert {a: set(p) for a, p in ACTIONS.items() if set(p) - words} == {
        a: set(p) for a, p in KINDS.items()
    }
