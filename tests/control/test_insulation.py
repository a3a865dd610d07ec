"""Insulation of gauges: told once when it falls, and which strain it puts in doubt."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.insulation import CLEAR, DOUBT, WARN, Insulation
from simulators.faults import Flat
from tests.control.asking import nights, table

CHANNELS = ("load", "strain_1", "insulation_1", "insulation_2")


def told(*ohms: float, channel: str = "insulation_1") -> list[str]:
    """Return what is told as a gauge reads these one after the other [Ohm]."""
    insulation = Insulation(CHANNELS)
    return [text for value in ohms for text in insulation.look({channel: value})]


@pytest.mark.nights
def test_a_gauge_that_becomes_damp_is_told_once_and_then_that_its_strain_is_in_doubt():
    damp, wet = told(5e9, 80e6, 60e6, 12e6, 9e6)
    assert damp == "insulation_1 is 80 MΩ, under 100 MΩ: damp, strain_1 may drift"
    assert wet == "insulation_1 is 12 MΩ, under 20 MΩ: strain_1 is in doubt"


def test_a_gauge_that_dries_is_told_well_above_the_bound():
    assert told(80e6, 101e6, 99e6, 119e6) == told(80e6)
    assert told(80e6, 130e6)[-1] == "insulation_1 is 130 MΩ: dry again"


def test_a_gauge_whose_strain_is_no_channel_is_named_by_its_number():
    assert told(1e6, channel="insulation_2") == [
        "insulation_2 is 1 MΩ, under 20 MΩ: gauge 2 is in doubt"
    ]


def test_a_value_that_is_not_there_changes_nothing():
    assert told(12e6, math.nan, 11e6) == told(12e6)


def test_other_slow_channels_are_no_gauges():
    assert told(1.0, channel="temperature_air") == []


def test_what_is_in_doubt_stays_to_be_seen_until_it_is_dry():
    insulation = Insulation(CHANNELS)
    list(insulation.look({"insulation_1": 12e6, "insulation_2": 60e6}))
    assert list(insulation.doubtful) == ["insulation_1"]
    list(insulation.look({"insulation_1": 500e6}))
    assert not insulation.doubtful


GAUGE = """
[[channel]]
name = "insulation_1"
resolution = "0.1 MOhm"
range = ["0 MOhm", "20000 MOhm"]
slow = true

[pump]
"""


@pytest.mark.nights
def test_a_gauge_that_becomes_wet_in_a_test_is_told_and_does_not_stop_it(plan_of, tmp_path):
    night = nights(plan_of, tmp_path)
    fell = Flat("insulation_1", 30_000, 10**9, value=12e6)
    result = night(rig={r"^\[pump\]\n": GAUGE}, faults=(fell,))
    assert (result.outcome, result.cycles) == ("run-out", 200)
    told = [text for _, _, kind, text in table(result.run, "events") if kind == "sensor"]
    assert told == ["insulation_1 is 12 MΩ, under 20 MΩ: gauge 1 is in doubt"]


@given(st.lists(st.floats(1e3, 1e10), max_size=40))
def test_a_value_at_a_bound_never_flickers(ohms):
    texts = told(*ohms)
    crossings = sum(
        low <= bound < high or high <= bound < low
        for bound in (DOUBT, DOUBT * CLEAR, WARN, WARN * CLEAR)
        for low, high in zip([math.inf, *ohms], ohms, strict=False)
    )
    assert len(texts) <= crossings
