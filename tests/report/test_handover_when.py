"""Words for a moment: a table, and any moment in zones whose clocks go back and forward.

The oracle is zoneinfo's own arithmetic: it says which instants show a clock time.
"""

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError
from rig.report.handover.when import Zone, meant

BERLIN = ZoneInfo("Europe/Berlin")
ZONES = ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe")
"""The last one's clocks go by half an hour."""
MONDAY = datetime(2026, 11, 30, 7, 2, tzinfo=BERLIN)
SPRING = datetime(2027, 3, 28, 7, 0, tzinfo=BERLIN)
AUTUMN = datetime(2026, 10, 25, 7, 0, tzinfo=BERLIN)


def at(text: str, now: datetime = MONDAY, *, late: bool = False) -> datetime | None:
    found = meant(text, Zone(now.tzinfo, now, late=late)).at
    return None if found is None else found.astimezone(now.tzinfo)


def berlin(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=BERLIN)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("18:00", (2026, 11, 29, 18, 0)),
        ("07:02", (2026, 11, 30, 7, 2)),
        ("7:03", (2026, 11, 29, 7, 3)),
        ("07:01:30", (2026, 11, 30, 7, 1, 30)),
        ("yesterday 18:00", (2026, 11, 29, 18, 0)),
        ("  Yesterday   18:00 ", (2026, 11, 29, 18, 0)),
        ("today 06:00", (2026, 11, 30, 6, 0)),
        ("Monday 07:00", (2026, 11, 30, 7, 0)),
        ("mon 07:03", (2026, 11, 23, 7, 3)),
        ("Tuesday 07:00", (2026, 11, 24, 7, 0)),
        ("2026-11-29 18:00", (2026, 11, 29, 18, 0)),
        ("2026-11-29T18:00:30", (2026, 11, 29, 18, 0, 30)),
        ("2026-11-29 18:00 Z", (2026, 11, 29, 19, 0)),
        ("2026-11-29 18:00-05:00", (2026, 11, 30, 0, 0)),
        ("2 h ago", (2026, 11, 30, 5, 2)),
        ("2 h", (2026, 11, 30, 5, 2)),
        ("90min", (2026, 11, 30, 5, 32)),
        ("1 h 30 min ago", (2026, 11, 30, 5, 32)),
        ("1.5 hours ago", (2026, 11, 30, 5, 32)),
        ("3 days", (2026, 11, 27, 7, 2)),
        ("0 s", (2026, 11, 30, 7, 2)),
    ],
)
def test_words_mean_a_moment(text, moment):
    assert at(text) == berlin(*moment)


@pytest.mark.parametrize(
    ("text", "cycle"),
    [
        ("cycle 100000", 100_000),
        ("Cycle 100,000", 100_000),
        ("count 1e5", 100_000),
        ("start", None),
    ],
)
def test_a_count_and_the_start_need_no_calendar(text, cycle):
    found = meant(text, Zone(None, MONDAY))
    assert (found.at, found.cycle) == (None, cycle)


def test_longer_ago_than_any_calendar_is_the_start():
    assert meant("9999999 d ago", Zone(None, MONDAY)).at is None


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("today 07:03", "has not come yet, it is 07:02"),
        ("2026-12-01 00:00", "has not come yet"),
        ("Blursday 07:00", "there is no day called 'blursday'"),
        ("2 parsecs", "'parsecs' is no unit of time; give s, min, h or d"),
        ("1 h 2 moons", "'moons' is no unit"),
        ("2026-02-30 07:00", "no calendar has that day"),
        ("0001-01-01 00:00", "no calendar has that day"),
        ("24:00", "is no moment that is known here"),
        ("2026-11-29", "is no moment that is known here"),
        ("Monday", "is no moment that is known here"),
        ("-2 h", "is no moment that is known here"),
        ("", "is no moment that is known here"),
        ("\x1b[31m18:00", "is no moment that is known here"),
    ],
)
def test_other_words_are_refused_in_one_line(text, why):
    with pytest.raises(InputError) as refused:
        meant(text, Zone(BERLIN, MONDAY))
    said = str(refused.value)
    assert why in said
    assert said.startswith("--since ")
    assert said.isprintable()
    assert "give" in said or "has not come" in said


@pytest.mark.parametrize(
    ("text", "now", "late", "hour", "said"),
    [
        ("02:30", AUTUMN, False, 0.5, "02:30 on Sun 25 Oct came twice: the first is taken (CEST)"),
        ("02:30", AUTUMN, True, 1.5, "02:30 on Sun 25 Oct came twice: the second is taken (CET)"),
        ("02:30", SPRING, False, 1.0, "did not come, the clocks went forward: 03:00 is taken"),
        ("2027-03-28 02:30", SPRING, True, 1.0, "did not come"),
        ("03:00", SPRING, False, 1.0, ""),
        ("03:00", AUTUMN, False, 2.0, ""),
    ],
)
def test_a_clock_time_that_comes_twice_or_never_is_taken_and_said(text, now, late, hour, said):
    found = meant(text, Zone(BERLIN, now, late=late))
    midnight = datetime(now.year, now.month, now.day, tzinfo=UTC)
    assert found.at == midnight + timedelta(hours=hour)
    assert said in found.said
    assert bool(said) == bool(found.said)


def changes(zone: ZoneInfo) -> list[datetime]:
    """The hours in which a zone's offset changes, by looking at every hour of four years."""
    hours = (datetime(2025, 1, 1, tzinfo=UTC) + timedelta(hours=n) for n in range(4 * 8766))
    offsets = [(hour, hour.astimezone(zone).utcoffset()) for hour in hours]
    return [hour for (hour, offset), (_, after) in pairwise(offsets) if offset != after]


CHANGES = {name: changes(ZoneInfo(name)) for name in ZONES}


@st.composite
def walls(draw) -> tuple[ZoneInfo, datetime]:
    """A zone and a clock time without it, often near a change of its offset."""
    name = draw(st.sampled_from(ZONES))
    zone = ZoneInfo(name)
    near = draw(st.sampled_from(CHANGES[name])) + timedelta(minutes=draw(st.integers(-200, 200)))
    any_time = draw(st.datetimes(datetime(2025, 1, 2), datetime(2028, 12, 30)))  # noqa: DTZ001
    wall = draw(st.sampled_from([near.astimezone(zone).replace(tzinfo=None), any_time]))
    if draw(st.booleans()):  # what the clocks left out is on no clock: it must be typed
        wall += timedelta(hours=1)
    return zone, wall.replace(microsecond=0, fold=0)


def shown_at(zone: ZoneInfo, wall: datetime) -> list[datetime]:
    """The instants at which a clock shows a time, by zoneinfo."""
    both = {wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(t for t in both if t.astimezone(zone).replace(tzinfo=None, fold=0) == wall)


@given(walls(), st.booleans())
def test_any_clock_time_is_the_instant_that_shows_it(place, late):
    zone, wall = place
    now = datetime(2029, 6, 1, tzinfo=UTC)
    found = meant(f"{wall:%Y-%m-%d %H:%M:%S}", Zone(zone, now, late=late))
    instants = shown_at(zone, wall)
    if instants:
        assert found.at == instants[-1 if late else 0]
        assert bool(found.said) == (len(instants) > 1)
        return
    before = (found.at - timedelta(seconds=1)).astimezone(zone).replace(tzinfo=None)
    assert before < wall < found.at.astimezone(zone).replace(tzinfo=None)
    assert "did not come" in found.said


@given(walls(), st.integers(0, 24 * 60 - 1))
def test_a_bare_clock_time_is_the_last_that_has_been(place, minute):
    zone, wall = place
    now = wall.replace(tzinfo=zone).astimezone(UTC)
    text = f"{minute // 60:02}:{minute % 60:02}"
    found = meant(text, Zone(zone, now))
    assert found.at <= now
    if found.said:
        return
    # By looking at every minute since: no later one shows it.
    first = now.replace(second=0, microsecond=0)
    seen = next(
        first - timedelta(minutes=n)
        for n in range(3 * 1440)
        if f"{(first - timedelta(minutes=n)).astimezone(zone):%H:%M}" == text
    )
    assert found.at == seen


@given(st.datetimes(datetime(2025, 1, 1), datetime(2028, 1, 1)), st.integers(0, 10**6))  # noqa: DTZ001
def test_a_span_ago_is_time_that_has_passed_whatever_the_clocks_did(moment, seconds):
    now = moment.replace(tzinfo=BERLIN).astimezone(UTC)
    found = meant(f"{seconds} s ago", Zone(BERLIN, now))
    assert (now - found.at).total_seconds() == seconds
