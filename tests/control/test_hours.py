"""Quiet and working hours: tables by hand, and minute by minute against zoneinfo."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.control.hours import local, pulled_forward, quiet_until
from rig.errors import InputError
from rig.protocol.plan import Hours

MINUTE = timedelta(minutes=1)
NIGHT = (22 * 60, 6 * 60)
OFFICE = (8 * 60, 16 * 60)
ZONES = (
    "UTC",
    "Europe/Berlin",
    "America/New_York",
    "Australia/Lord_Howe",  # half an hour of daylight saving
    "Asia/Kathmandu",  # 5 h 45 min
    "Asia/Beirut",  # changes at midnight
    "Africa/Casablanca",  # four changes a year
    "Pacific/Apia",  # left out 30 December 2011
)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("hours", "now", "until"),
    [
        (Hours("UTC"), "2031-03-05 03:00", None),
        (Hours("UTC", quiet=NIGHT), "2031-03-05 21:59", None),
        (Hours("UTC", quiet=NIGHT), "2031-03-05 22:00", "2031-03-06 06:00"),
        (Hours("UTC", quiet=NIGHT), "2031-03-06 05:59:59.5", "2031-03-06 06:00"),
        (Hours("UTC", quiet=NIGHT), "2031-03-06 06:00", None),
        (Hours("UTC", quiet=(60, 300)), "2031-03-06 01:30", "2031-03-06 05:00"),
        (Hours("UTC", quiet=(0, 300)), "2031-03-06 00:00", "2031-03-06 05:00"),
        (Hours("UTC", quiet=NIGHT), "2032-02-28 23:00", "2032-02-29 06:00"),
        (Hours("UTC", quiet=NIGHT), "2032-02-29 23:00", "2032-03-01 06:00"),
        # 7 March 2031 is a Friday: the night leads into the weekend, the weekend into a night.
        (Hours("UTC", quiet=NIGHT), "2031-03-07 23:00", "2031-03-08 06:00"),
        (Hours("UTC", quiet_weekend=True), "2031-03-07 23:59", None),
        (Hours("UTC", quiet_weekend=True), "2031-03-08 00:00", "2031-03-10 00:00"),
        (Hours("UTC", NIGHT, quiet_weekend=True), "2031-03-07 22:30", "2031-03-10 06:00"),
        (Hours("UTC", NIGHT, quiet_weekend=True), "2031-03-09 12:00", "2031-03-10 06:00"),
    ],
)
def test_quiet_hours_end_when_the_table_says(hours, now, until):
    assert quiet_until(hours, utc(now)) == (utc(until) if until else None)


@pytest.mark.parametrize(
    ("quiet", "now", "until"),
    [
        # Berlin, 30 March 2031: 02:00 becomes 03:00. The night is an hour shorter.
        (NIGHT, "2031-03-29T21:00", "2031-03-30T04:00"),
        # Hours that end in the missing one end with it.
        ((22 * 60, 150), "2031-03-29T21:00", "2031-03-30T01:00"),
        # 26 October 2031: 03:00 becomes 02:00. The night is an hour longer.
        (NIGHT, "2031-10-25T20:00", "2031-10-26T05:00"),
        # 02:30 comes twice: the first ends the quiet hours, the clock set back begins them anew.
        ((22 * 60, 150), "2031-10-25T20:00", "2031-10-26T00:30"),
        ((22 * 60, 150), "2031-10-26T01:10", "2031-10-26T01:30"),
    ],
)
def test_quiet_hours_over_a_change_of_the_clock(quiet, now, until):
    assert quiet_until(Hours("Europe/Berlin", quiet), utc(now)) == utc(until)


def test_now_may_come_in_any_zone_and_the_answer_is_utc():
    now = datetime.fromisoformat("2031-01-15T23:00").replace(tzinfo=ZoneInfo("Asia/Tokyo"))
    until = quiet_until(Hours("Asia/Tokyo", NIGHT), now)
    assert until == utc("2031-01-15 21:00")
    assert until.tzinfo is UTC


def test_local_time_is_the_zones_and_without_one_the_computers():
    now = utc("2031-07-01 12:00")
    assert f"{local(Hours('Europe/Berlin'), now):%H:%M}" == "14:00"
    assert local(Hours(), now).utcoffset() == now.astimezone().utcoffset()


@pytest.mark.parametrize("zone", ["Europe/Atlantis", "Europe", "../etc/passwd", "/etc", "x" * 400])
def test_an_unknown_zone_is_told_in_one_line(zone):
    with pytest.raises(InputError, match="unknown time zone") as caught:
        local(Hours(zone), utc("2031-03-05 03:00"))
    assert "\n" not in str(caught.value)


def test_quiet_hours_without_an_end_are_refused():
    with pytest.raises(InputError, match="never end"):
        quiet_until(Hours("UTC", quiet=(0, 24 * 60)), utc("2031-03-05 03:00"))


def quiet(hours: Hours, moment: datetime) -> bool:
    """Tell by zoneinfo alone whether an instant is quiet."""
    wall = moment.astimezone(ZoneInfo(hours.zone))
    if hours.quiet_weekend and wall.isoweekday() in (6, 7):
        return True
    if hours.quiet is None:
        return False
    begin, end = (timedelta(minutes=m) for m in hours.quiet)
    time = timedelta(hours=wall.hour, minutes=wall.minute)
    return begin <= time < end if begin <= end else not end <= time < begin


def works(hours: Hours, moment: datetime) -> bool:
    wall = moment.astimezone(ZoneInfo(hours.zone))
    begin, end = hours.working
    minute = wall.hour * 60 + wall.minute
    return wall.isoweekday() <= 5 and begin <= minute < end


@st.composite
def spans(draw, wrap=True):
    """Hours on whole quarters of an hour, most of them common ones."""
    begin, end = draw(st.integers(0, 95)) * 15, draw(st.integers(0, 96)) * 15
    if not wrap and begin > end:
        begin, end = end, begin
    return (begin, end % 1440 if begin > end else end)


@st.composite
def moments(draw, zone):
    """Whole minutes, half of them within two days of a change of the zone's clock."""
    start = datetime(draw(st.integers(2011, 2036)), 1, 1, tzinfo=UTC)
    minutes = draw(st.integers(0, 366 * 1440))
    if draw(st.booleans()):
        offsets = [
            (start + timedelta(hours=6 * n)).astimezone(zone).utcoffset() for n in range(1460)
        ]
        changes = [n for n in range(1, 1460) if offsets[n] != offsets[n - 1]]
        if changes:
            minutes = draw(st.sampled_from(changes)) * 360 + minutes % 5760 - 4320
    return start + minutes * MINUTE


@pytest.mark.nights
@settings(max_examples=60)
@given(st.data(), st.sampled_from(ZONES), st.booleans())
def test_quiet_hours_end_where_minute_by_minute_they_do(data, zone, weekend):
    hours = Hours(zone, data.draw(st.none() | spans()), quiet_weekend=weekend)
    now = data.draw(moments(ZoneInfo(zone)))
    expected = now
    while quiet(hours, expected) and expected < now + timedelta(days=8):
        expected += MINUTE
    if expected == now:
        assert quiet_until(hours, now) is None
    elif expected < now + timedelta(days=8):
        assert quiet_until(hours, now) == expected


def office(**changes):
    return Hours(**{"zone": "UTC", "working": OFFICE, **changes})


@pytest.mark.parametrize(
    ("hours", "planned", "now", "expected"),
    [
        # One cycle a second, counted from 0 at `now`; 5 March 2031 is a Wednesday.
        (Hours("UTC"), 7200, "2031-03-05 20:00", 7200),
        (office(), 7200, "2031-03-05 07:00", 7200),  # falls on 09:00
        (office(), 28_799, "2031-03-05 08:00", 28_799),  # 15:59:59 is within the hours
        (office(), 28_800, "2031-03-05 08:00", 25_920),  # 16:00 is not; 15:12 is 10 % before
        (office(), 100_000, "2031-03-04 12:30", 95_400),  # Wednesday 16:16:40, back to 15:00
        (office(), 10_000, "2031-03-05 20:00", 10_000),  # no working hour within 10 %
        (office(pull_forward=0.5), 7200, "2031-03-05 15:59:57", 7200),  # from 16:59:57 on: too late
        (office(pull_forward=1.0), 7200, "2031-03-05 15:59:57", 1),  # the next cycle, no lead left
        (office(pull_forward=1.0), 7200, "2031-03-05 16:00", 7200),
        # 29 % of 100 is 29, which 0.29 * 100 is not: count 71 falls on 15:59:59.
        (office(pull_forward=0.29), 100, "2031-03-05 15:58:48", 71),
        # That quiet hours begin at 15:30 does not part the working hours.
        (office(quiet=(930, 360)), 100_000, "2031-03-04 12:30", 95_400),
        # Sunday 10:00 goes back to Friday 15:00 where half the count allows it.
        (office(pull_forward=0.5), 345_600, "2031-03-05 10:00", 190_800),
    ],
)
def test_an_inspection_is_pulled_forward_as_the_table_says(hours, planned, now, expected):
    assert pulled_forward(hours, planned, 0, utc(now), 1.0) == expected


def test_the_share_is_of_the_count_and_not_of_what_is_left():
    # At 4 Hz from count 90 000 the last hour of work lies 3 600 to 18 000 cycles ahead.
    now = utc("2031-03-05 14:45")
    assert pulled_forward(office(), 110_000, 90_000, now, 4.0) == 99_000
    assert pulled_forward(office(pull_forward=0.05), 110_000, 90_000, now, 4.0) == 104_500
    assert pulled_forward(office(pull_forward=0.01), 110_000, 90_000, now, 4.0) == 110_000


def test_what_has_been_counted_already_is_not_pulled_forward():
    assert pulled_forward(office(), 100, 100, utc("2031-03-05 20:00"), 4.0) == 100
    all_of_it = office(pull_forward=1.0)
    assert pulled_forward(all_of_it, 100, 99, utc("2031-03-05 15:59:59.5"), 1.0) == 100


def test_an_unknown_zone_of_working_hours_is_refused():
    with pytest.raises(InputError, match="Nowhere"):
        pulled_forward(office(zone="Nowhere/Land"), 1000, 0, utc("2031-03-05 20:00"), 1.0)


@settings(max_examples=60)
@given(
    st.data(),
    st.sampled_from(ZONES),
    st.integers(0, 5000),
    st.integers(1, 4000),
    st.integers(0, 100),
)
def test_an_inspection_is_pulled_forward_as_a_search_of_all_counts_finds(
    data, zone, counted, ahead, percent
):
    """One cycle a minute, so that counts can be searched one by one."""
    hours = Hours(
        zone, working=data.draw(st.just(OFFICE) | spans(wrap=False)), pull_forward=percent / 100
    )
    now, planned = data.draw(moments(ZoneInfo(zone))), counted + ahead

    def when(count):
        return now + (count - counted) * MINUTE

    first = max(planned - percent * planned // 100, counted + 1)
    within = [c for c in range(first, planned) if works(hours, when(c))]
    expected = planned
    if within and not works(hours, when(planned)):
        last = begin = end = within[-1]
        while begin - 1 >= first and works(hours, when(begin - 1)):
            begin -= 1
        while works(hours, when(end)):
            end += 1
        expected = max(begin, min(last, end - 60))
    assert pulled_forward(hours, planned, counted, now, 1 / 60) == expected
