"""Catch-can readings are told against the schedule, judged or refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.control.catch_can import catch_can
from rig.errors import InputError
from tests.control.test_spray import FLOW, schedule


def test_a_catch_can_reading_is_told_against_the_schedule():
    assert catch_can(schedule(), FLOW * 0.92, "top") == (
        "catch can at top: 1.38 L/min, 8% below the schedule's 1.50 L/min, within 15%"
    )
    assert catch_can(schedule(), FLOW * 1.2, "") == (
        "catch can: 1.80 L/min, 20% above the schedule's 1.50 L/min, outside 15%"
    )


def test_a_face_is_to_have_its_share_of_the_flow():
    plan = schedule(faces=("left side", "soffit"))
    assert catch_can(plan, FLOW / 2, "soffit").endswith(
        "0% below its share of 0.75 L/min of 1.50 L/min, within 15%"
    )
    with pytest.raises(InputError, match="'top' is not sprayed; the protocol names left side"):
        catch_can(plan, FLOW, "top")


@given(st.floats())
def test_a_reading_is_judged_or_refused_in_one_line(reading):
    try:
        text = catch_can(schedule(), reading, "top")
    except InputError as error:
        assert not (math.isfinite(reading) and reading >= 0)
        text = str(error)
    else:
        assert text.endswith("within 15%") == (
            0.85 * FLOW * 0.999999 <= reading <= 1.15 * FLOW * 1.000001
        )
    assert "\n" not in text
