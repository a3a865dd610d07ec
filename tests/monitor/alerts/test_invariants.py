"""Whatever happens over days: told once, never too often, nobody waked for what can wait."""

import json
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from rig.monitor.alerts.desk import Desk, with_lines
from rig.monitor.alerts.due import PASS
from rig.monitor.alerts.quiet import quiet
from rig.protocol.lab import MOVABLE
from tests.monitor.alerts.nights import HOUR, MINUTE, Night, cause, lab, rule

KINDS = ("sensor", "water", "specimen", "failure", "rig", "silent")
CAUSES = tuple(
    cause(f"found:{kind} {name}", kind, calm=calm)
    for kind in KINDS
    for name, calm in (("a", 60.0), ("b", 600.0))
)
# Around both changes of the clock in Portugal in 2026, and a winter's day; see test_rules.py.
BEGINS = st.sampled_from(
    [
        datetime(2026, 3, 28, 20, 0, tzinfo=UTC),
        datetime(2026, 10, 24, 19, 0, tzinfo=UTC),
        datetime(2026, 12, 23, 12, 0, tzinfo=UTC),
    ]
)
PEOPLE = st.lists(st.sampled_from(("Ada", "Ben", "Cid")), min_size=1, max_size=3, unique=True)
WAYS = st.lists(st.sampled_from(("mail", "program", "mqtt")), min_size=1, max_size=2, unique=True)
QUIET = st.none() | st.tuples(st.integers(0, 1439), st.integers(0, 1439)).filter(
    lambda hours: hours[0] != hours[1]
)
STEPS = st.lists(
    st.tuples(
        st.sampled_from((20.0, 60.0, 10 * MINUTE, 47 * MINUTE, 3 * HOUR)),
        st.sets(st.integers(0, len(CAUSES) - 1), max_size=7),
        st.sampled_from(("", "", "", "acknowledge", "silence")),
        st.integers(0, 11),
        st.booleans(),
    ),
    max_size=60,
)


FEW = st.integers(1, 5)


@st.composite
def ruled(draw, most=FEW):
    """A lab of up to two rules."""
    rules = []
    for name in ("one", "two")[: draw(st.integers(1, 2))]:
        kinds = draw(st.lists(st.sampled_from(KINDS), min_size=1, unique=True))
        change = {
            "people": tuple(draw(PEOPLE)),
            "ways": tuple(draw(WAYS)),
            "quiet": draw(QUIET),
            "repeat": draw(st.sampled_from((0.0, 10 * MINUTE, 2 * HOUR))),
            "stays": draw(st.booleans()),
            "most": draw(most),
        }
        if draw(st.booleans()):
            change |= {"escalate_after": 30 * MINUTE, "escalate_to": ("Ada", "Cid")}
        rules.append(rule(name, *kinds, **change))
    return lab(*rules)


def lived(lab, begin, steps, refuses=False) -> Night:
    """Live through some steps: causes, what people do, a way that now and then refuses."""
    night = Night(lab, now=begin)
    refusing = False
    night.refuses = lambda order: refusing
    for seconds, held, action, which, refusing in steps:
        refusing = refusing and refuses
        if action == "acknowledge" and which + 1 in night.desk.alerts:
            night.acknowledge(which + 1)
        if action == "silence":
            night.silence(CAUSES[which].kinds[0], 5 * HOUR)
        night.look(*(CAUSES[n] for n in sorted(held)))
        night.now += timedelta(seconds=seconds)
    return night


def by_target(night: Night) -> dict:
    """Return by alert, person and way when and why it was told."""
    told = defaultdict(list)
    for at, order in night.sent:
        for number in order.alerts:
            for person in order.people:
                told[number, person, order.way].append((at, order.purpose))
    return told


@given(ruled(), BEGINS, STEPS, st.booleans())
def test_nobody_is_told_twice_by_one_way_but_as_a_repeat(lab, begin, steps, refuses):
    night = lived(lab, begin, steps, refuses)
    for (number, person, way), told in by_target(night).items():
        alert = night.desk.alerts[number]
        again = [r.repeat for r in lab.rules if way in r.ways and set(r.kinds) & set(alert.kinds)]
        for (before, _), (at, purpose) in pairwise(told):
            if alert.kind == "message-way":
                assert purpose in ("again", "over")
                continue
            # One that the limit held back comes as one of the rest.
            assert purpose in ("again", "rest"), (number, person, told)
            assert (at - before).total_seconds() >= min(r for r in again if r)
        assert told[0][1] != "again"


@given(ruled(), BEGINS, STEPS)
def test_the_limit_of_messages_an_hour_holds_for_each_person_and_way(lab, begin, steps):
    night = lived(lab, begin, steps)
    sent = defaultdict(list)
    for at, order in night.sent:
        kinds = {k for n in order.alerts for k in night.desk.alerts[n].kinds}
        if kinds & PASS:
            continue
        for person in order.people:
            sent[person, order.way].append(at)
    most = sum(each.most for each in lab.rules)
    for times in sent.values():
        for at in times:
            within = [t for t in times if at <= t < at + timedelta(hours=1)]
            assert len(within) <= most


@given(ruled(), BEGINS, STEPS, st.booleans())
def test_nothing_that_can_wait_is_sent_in_quiet_hours(lab, begin, steps, refuses):
    night = lived(lab, begin, steps, refuses)
    zone = ZoneInfo("Europe/Lisbon")
    for at, order in night.sent:
        for number in order.alerts:
            kinds = set(night.desk.alerts[number].kinds)
            rules = [r for r in lab.rules if set(r.kinds) & kinds and order.way in r.ways]
            if kinds <= MOVABLE:
                assert any(not quiet(r.quiet, at, zone) for r in rules)


@given(ruled(most=st.just(1000)), BEGINS, STEPS)
def test_what_is_urgent_and_not_silenced_is_told_at_once(lab, begin, steps):
    night = lived(lab, begin, steps)
    silences = [told for told in night.lines if told["what"] == "silenced"]
    told = by_target(night)
    for alert in night.desk.alerts.values():
        at = alert.opened
        silenced = {
            s["kind"]
            for s in silences
            if datetime.fromisoformat(s["at_utc"]) <= at < datetime.fromisoformat(s["until_utc"])
        }
        if alert.kind in MOVABLE or alert.kind in silenced:
            continue
        for each in lab.rules:
            for person in each.people if alert.kind in each.kinds else ():
                for way in each.ways:
                    assert told[alert.number, person, way][0] == (at, "first")


@given(ruled(most=st.just(1000)), BEGINS, STEPS, st.booleans())
def test_what_nobody_acknowledged_is_told_again_in_time(lab, begin, steps, refuses):
    night = lived(lab, begin, steps, refuses)
    night.refuses = lambda order: False
    held = {CAUSES[n] for n in (steps[-1][1] if steps else ())}
    night.looks(10 * HOUR, *held, every=5 * MINUTE)  # the last silence is over by then
    zone = ZoneInfo("Europe/Lisbon")
    for alert in night.desk.open_alerts():
        for each in lab.rules:
            wakes = not set(alert.kinds) <= MOVABLE or not (
                quiet(each.quiet, night.now, zone)
                or quiet(each.quiet, night.now - timedelta(minutes=5), zone)
            )
            if alert.kind not in each.kinds or alert.acknowledged or not wakes or not each.repeat:
                continue
            for person in each.people:
                for way in each.ways:
                    last = alert.told[person, way].last
                    assert (night.now - last).total_seconds() <= each.repeat + 6 * MINUTE


@given(ruled(), BEGINS, STEPS, st.booleans())
def test_the_book_brings_back_where_everything_stood(lab, begin, steps, refuses):
    night = lived(lab, begin, steps, refuses)
    lines = [json.loads(json.dumps(told)) for told in night.lines]
    assert with_lines(Desk(), lines) == night.desk
