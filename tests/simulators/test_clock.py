"""The clock's own arithmetic."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

from hypothesis import given
from hypothesis import strategies as st

from rig.clock import stepped

EVENING = datetime(2001, 1, 1, 18, 0, tzinfo=UTC)


@given(seconds=st.integers(0, 10**7), step=st.integers(-(10**6), 10**6))
def test_a_step_of_the_wall_clock_is_what_it_has_beyond_monotonic_time(
    seconds: int, step: int
) -> None:
    later = EVENING + timedelta(seconds=seconds + step)
    assert stepped(50.0, EVENING, 50.0 + seconds, later) == step


def test_a_sleep_in_which_monotonic_time_stands_still_is_a_step() -> None:
    assert stepped(7.0, EVENING, 8.0, EVENING + timedelta(hours=3, seconds=1)) == 3 * 3600


def test_the_change_to_summer_time_is_no_step() -> None:
    """One second after 0:59:59 winter time it is 2:00:00 summer time, an hour ahead of UTC."""
    winter, summer = timezone(timedelta(0)), timezone(timedelta(hours=1))
    before = datetime(2001, 3, 25, 0, 59, 59, tzinfo=winter)
    after = datetime(2001, 3, 25, 2, 0, 0, tzinfo=summer)
    assert stepped(0.0, before, 1.0, after) == 0.0
