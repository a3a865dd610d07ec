"""Numbers, durations and times in words."""

import math
from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.channels import CHANNEL_UNITS, channel_unit, shown
from rig.monitor import words

NOW = datetime(2026, 12, 25, 3, 10)  # noqa: DTZ001 - only differences and calendars matter here


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0.2, "0 s"),
        (99.0, "99 s"),
        (200.0, "3 min 20 s"),
        (180.0, "3 min"),
        (599.7, "10 min"),
        (2700.0, "45 min"),
        (7800.0, "2 h 10 min"),
        (86_400.0, "24 h"),
        (273_600.0, "3 days 4 h"),
        (2_750_000.0, "32 days"),
        (math.nan, "–"),
        (math.inf, "–"),
    ],
)
def test_a_duration_has_at_most_two_units(seconds, said):
    assert words.span(seconds) == said


@pytest.mark.parametrize(
    ("after", "said"),
    [
        (timedelta(minutes=86), "today 04:36"),
        (timedelta(minutes=5), "today 03:15"),
        (timedelta(minutes=4, seconds=59), "today 03:14:59"),
        (timedelta(minutes=-1), "today 03:09"),
        (timedelta(hours=23), "tomorrow 02:10"),
        (timedelta(hours=-6), "yesterday 21:10"),
        # 27 December 2026 is a Sunday (any calendar).
        (timedelta(days=2, hours=11), "Sun 27 Dec 14:10"),
        (timedelta(days=400), "Sat 29 Jan 2028 03:10"),
    ],
)
def test_a_time_is_said_as_people_say_it(after, said):
    assert words.moment(NOW + after, NOW) == said


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (92_410.0, "N", "92.41 kN"),
        (104_200.0, "N", "104.2 kN"),
        (1.2345e6, "N", "1,234 kN"),
        (3.7e-4, "m", "0.370 mm"),
        (-3.714e-3, "m", "−3.71 mm"),
        (25.18e6, "N/m", "25.18 kN/mm"),
        (0.64, "m3", "640 L"),
        (1.5e-3 / 60, "m3/s", "1.50 L/min"),
        (314.35, "K", "41.2 °C"),
        (-1e-9, "N", "0.00 kN"),
        (math.nan, "K", "–"),
        (-math.inf, "N", "–"),
    ],
)
def test_a_quantity_is_said_in_the_unit_of_the_trade(value, unit, said):
    assert words.quantity(value, unit) == said


def test_a_deviation_has_its_sign_unless_it_is_none():
    assert words.per_cent(0.0004, signed=True) == "0.0 %"
    assert words.per_cent(-0.0004, signed=True) == "0.0 %"
    assert words.per_cent(0.036, signed=True) == "+3.6 %"
    assert words.per_cent(-0.036, signed=True) == "−3.6 %"


@given(
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from(sorted({*CHANNEL_UNITS.values(), "N/m", "Hz"})),
)
def test_no_quantity_says_nan_or_inf(value, unit):
    said = words.quantity(value, unit) + words.span(value) + words.per_cent(value)
    assert "nan" not in said
    assert "inf" not in said


@pytest.mark.parametrize(
    ("channel", "value", "said"),
    [
        ("load", 97_130.0, "97.13 kN"),
        ("strain_3", 1.25e-4, "125 µm/m"),
        ("pressure", 20.6e6, "206 bar"),  # 1 bar = 100 kPa by definition
        ("temperature_oil", 314.35, "41.2 °C"),
        ("flow", 1.55e-3 / 60, "1.55 L/min"),
        ("gauge", 4.5, "4.5"),
    ],
)
def test_a_message_and_the_screen_say_a_channel_in_one_unit(channel, value, said):
    assert shown(channel, value) == said
    if channel_unit(channel):
        assert words.quantity(value, words.unit_of(channel)).split()[1] == said.split()[1]


def test_a_difference_of_temperatures_has_no_zero_of_its_own():
    assert shown("temperature_air", 0.3, -0.2, difference=True) == "0.3 to -0.2 °C"
    assert shown("load", 300.0, difference=True) == "0.3 kN"
