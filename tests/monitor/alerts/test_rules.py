"""Who is told when: once, again until somebody answers, others then, and nobody in quiet hours."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from rig.monitor.alerts.desk import line
from rig.monitor.alerts.quiet import quiet
from rig.monitor.alerts.ways import dead_ways
from tests.monitor.alerts.nights import (
    EVENING,
    HOUR,
    MINUTE,
    NIGHT,
    Night,
    cause,
    lab,
    rule,
    told,
)

WATER = cause("found:water", "water")
FAILURE = cause("end:failure", "failure")


def test_one_cause_that_lasts_is_told_once_to_each_person():
    night = Night(lab(rule()))
    assert told(night.looks(5 * HOUR, cause())) == [("first", "Ada", (1,)), ("first", "Ben", (1,))]


def test_a_way_that_knows_no_persons_is_used_once_for_all_of_them():
    night = Night(lab(rule(ways=("program", "mqtt"))))
    went = night.looks(HOUR, cause())
    assert sorted((o.way, o.people) for o in went) == [
        ("mqtt", ("Ada", "Ben")),
        ("program", ("Ada", "Ben")),
    ]


def test_a_person_without_an_address_is_told_by_the_other_ways_alone():
    night = Night(lab(rule(people=("Ada", "Nemo"), ways=("mail", "program"))))
    went = night.looks(HOUR, cause())
    assert sorted((o.way, o.people) for o in went) == [
        ("mail", ("Ada",)),
        ("program", ("Ada", "Nemo")),
    ]


def test_who_is_named_by_two_rules_is_told_once():
    night = Night(lab(rule("one"), rule("two", "sensor", "water", people=("Ben", "Cid"))))
    went = night.looks(HOUR, cause())
    assert sorted(told(went)) == [("first", p, (1,)) for p in ("Ada", "Ben", "Cid")]


def test_it_is_told_again_until_somebody_acknowledges():
    night = Night(lab(rule(repeat=30 * MINUTE, people=("Ada",))))
    went = night.looks(2 * HOUR, cause())
    assert [o.purpose for o in went] == ["first", "again", "again", "again"]
    assert [at - EVENING for at, _ in night.sent] == [timedelta(minutes=30 * n) for n in range(4)]
    night.acknowledge(1)
    assert night.looks(5 * HOUR, cause()) == []


def test_of_two_rules_the_one_that_repeats_more_often_counts():
    slow, quick = rule("slow", repeat=2 * HOUR), rule("quick", repeat=HOUR, people=("Ada",))
    night = Night(lab(slow, quick))
    went = night.looks(2.5 * HOUR, cause())
    assert [o.people[0] for o in went] == ["Ada", "Ben", "Ada", "Ada", "Ben"]


def test_in_quiet_hours_it_is_repeated_as_the_rules_say_that_have_none():
    often = rule("day", "water", repeat=30 * MINUTE, quiet=NIGHT, people=("Ada",))
    night = Night(lab(often, rule("night", "water", repeat=2 * HOUR, people=("Ada",))))
    night.clock("23:00")
    night.looks(5 * HOUR, WATER)
    assert [at.astimezone(night.zone).hour for at, _ in night.sent] == [23, 1, 3]


def test_of_a_dead_way_only_what_waits_for_it_is_named():
    night = Night(lab(rule(people=("Ada",), ways=("mail", "program"))))
    night.look(cause("found:told"))
    night.refuses = lambda order: order.way == "mail"
    night.looks(HOUR, cause("found:told"), cause("found:waits"), cause("found:seen to"))
    numbers = {a.key: a.number for a in night.desk.open_alerts()}
    night.acknowledge(numbers["found:seen to"])
    (dead,) = dead_ways(night.desk, night.lab)
    assert [each for each in dead.todo if each.startswith("not told so far")] == [
        f"not told so far: {numbers['found:waits']}. it is found:waits"
    ]


def test_that_something_is_held_back_is_written_once():
    night = Night(lab(rule("night", "water", quiet=NIGHT, people=("Ada",))))
    night.clock("23:00")
    night.looks(HOUR, WATER)
    assert [told["what"] for told in night.lines] == ["opened", "held"]
    assert night.desk.alerts[1].held == {("Ada", "mail"): "quiet hours"}


def test_others_are_told_where_nobody_answers_in_time():
    ruled = rule(repeat=2 * HOUR, escalate_after=45 * MINUTE, escalate_to=("Cid",))
    night = Night(lab(ruled))
    went = night.looks(HOUR, cause())
    assert told(went)[2:] == [("escalated", "Cid", (1,))]
    assert night.sent[-1][0] - EVENING == timedelta(minutes=45)
    answered = Night(lab(ruled))
    answered.looks(30 * MINUTE, cause())
    answered.acknowledge(1)
    assert answered.looks(3 * HOUR, cause()) == []


def test_others_are_told_too_where_the_first_cannot_be_reached():
    night = Night(lab(rule(people=("Ada",), escalate_after=HOUR, escalate_to=("Cid",))))
    night.refuses = lambda order: "Ada" in order.people
    went = night.looks(2 * HOUR, cause())
    assert told(went) == [("escalated", "Cid", (1,))]


def test_quiet_hours_hold_back_what_can_wait_until_they_end():
    night = Night(lab(rule("night", "water", quiet=NIGHT, people=("Ada",))))
    night.clock("23:00")
    assert night.looks(6.9 * HOUR, WATER) == []
    went = night.looks(30 * MINUTE, WATER)
    assert told(went) == [("first", "Ada", (1,))]
    assert night.sent[0][1].purpose == "first"
    assert night.sent[0][0].astimezone(night.zone).hour == 6


def test_what_was_over_before_they_end_is_told_as_over():
    night = Night(lab(rule("night", "water", quiet=NIGHT, people=("Ada",))))
    night.clock("23:00")
    night.looks(HOUR, WATER)
    night.looks(5.5 * HOUR)
    assert not night.sent
    assert told(night.looks(HOUR)) == [("over", "Ada", (1,))]


def test_what_somebody_acknowledged_meanwhile_is_not_told_at_all():
    night = Night(lab(rule("night", "water", quiet=NIGHT, people=("Ada",))))
    night.clock("23:00")
    night.looks(HOUR, WATER)
    night.acknowledge(1)
    assert night.looks(10 * HOUR, WATER) == []
    assert night.looks(10 * HOUR) == []


@pytest.mark.parametrize(
    "urgent",
    [FAILURE, cause("found:x", "sensor"), cause("found:leak", "water", "fault")],
    ids=lambda c: "+".join(c.kinds),
)
def test_nothing_urgent_waits_for_the_morning(urgent):
    night = Night(lab(rule("night", "failure", "sensor", "fault", quiet=NIGHT, people=("Ada",))))
    night.clock("02:00")
    assert told(night.look(urgent)) == [("first", "Ada", (1,))]


def test_repeats_of_what_can_wait_pause_over_the_night():
    night = Night(lab(rule("night", "water", quiet=NIGHT, people=("Ada",), repeat=HOUR, most=99)))
    night.clock("20:30")
    night.looks(12 * HOUR, WATER)
    hours = [at.astimezone(night.zone).hour for at, _ in night.sent]
    assert hours == [20, 21, 6, 7, 8]


# Portugal: clocks go from 01:00 to 02:00 on 29 March 2026 and from 02:00 to 01:00 on 25 October
# (tz database, rule EU); a night over either has an hour less or more.
@pytest.mark.parametrize(
    ("day", "hours"), [((2026, 3, 28), 7), ((2026, 10, 24), 9), ((2026, 11, 24), 8)]
)
def test_a_night_in_which_the_clock_is_changed_is_as_long_as_the_wall_says(day, hours):
    zone = ZoneInfo("Europe/Lisbon")
    begin = datetime(*day, 22, 0, tzinfo=zone).astimezone(UTC)
    assert not quiet(NIGHT, begin - timedelta(minutes=1), zone)
    minutes = [begin + timedelta(minutes=n) for n in range(12 * 60)]
    assert [quiet(NIGHT, at, zone) for at in minutes] == [n < hours * 60 for n in range(12 * 60)]


@pytest.mark.parametrize(
    ("hours", "quiet_at", "loud_at"),
    [((22 * 60, 6 * 60), (22, 23, 0, 5), (6, 12, 21)), ((60, 300), (1, 4), (0, 5, 12, 23))],
)
def test_quiet_hours_may_cross_midnight(hours, quiet_at, loud_at):
    def at(hour: int) -> datetime:
        return datetime(2026, 11, 25, hour, 0, tzinfo=UTC)

    assert all(quiet(hours, at(hour), UTC) for hour in quiet_at)
    assert not any(quiet(hours, at(hour), UTC) for hour in loud_at)
    assert not quiet(None, at(3), UTC)


def test_a_silenced_kind_is_told_only_after_it_if_it_still_holds():
    night = Night(lab(rule(people=("Ada",), repeat=HOUR)))
    night.silence("sensor", 3 * HOUR)
    assert night.looks(2.9 * HOUR, cause()) == []
    assert told(night.looks(0.5 * HOUR, cause())) == [("first", "Ada", (1,))]
    gone = Night(lab(rule(people=("Ada",))))
    gone.silence("sensor", 3 * HOUR)
    gone.looks(HOUR, cause())
    assert gone.looks(5 * HOUR) == []


def test_a_silence_holds_back_its_kind_alone():
    night = Night(lab(rule("all", "sensor", "pause", people=("Ada",))))
    night.silence("sensor", HOUR)
    both = cause("found:b", "sensor", "pause")
    assert told(night.looks(MINUTE, cause(), both)) == [("first", "Ada", (2,))]


def test_what_stays_is_told_until_somebody_resets_it():
    night = Night(lab(rule(people=("Ada",), repeat=2 * HOUR, stays=True)))
    night.looks(MINUTE, cause())
    went = night.looks(5 * HOUR)
    assert [o.purpose for o in went] == ["again", "again"]
    alert = night.desk.alerts[1]
    assert alert.open
    assert alert.over is not None
    night.add(line("reset", night.now, n=1, by="Ben"))
    assert night.desk.alerts[1].closed_why == "reset by Ben"
    assert night.looks(5 * HOUR) == []


def test_what_flickers_is_told_less_and_less():
    night = Night(lab(rule(people=("Ada",), most=99)))
    for _ in range(24):
        night.looks(5 * MINUTE, cause(calm=10 * MINUTE))
        night.looks(25 * MINUTE)
    # It is away for 25 minutes each time: over at 10 and at 20 minutes, from then on it lasts.
    assert len(night.sent) == 3


def test_a_flood_is_told_in_one_once_the_hour_is_over():
    night = Night(lab(rule(people=("Ada",), most=4)))
    causes = [cause(f"found:sensor {name}") for name in "abcdefghij"]
    went = night.looks(59 * MINUTE, *causes)
    assert told(went) == [("first", "Ada", (n,)) for n in range(1, 5)]
    went = night.looks(HOUR, *causes)
    assert told(went) == [("rest", "Ada", (5, 6, 7, 8, 9, 10))]
    assert night.looks(9 * HOUR, *causes) == []


def test_what_the_limit_held_back_goes_before_what_is_new():
    night = Night(lab(rule(people=("Ada",), most=1)))
    night.looks(HOUR, *(cause(f"found:{name}") for name in "abc"))
    went = night.look(*(cause(f"found:{name}") for name in "abcd"))
    assert told(went) == [("rest", "Ada", (2, 3))]


def test_each_rule_has_a_limit_of_its_own():
    rules = (rule("one", people=("Ada",), most=1), rule("two", "water", people=("Ada",), most=1))
    night = Night(lab(*rules))
    assert told(night.look(cause())) == [("first", "Ada", (1,))]
    assert told(night.look(cause(), WATER)) == [("first", "Ada", (2,))]
    assert night.look(cause("found:b"), cause("found:c", "water")) == []


def test_who_acknowledged_first_is_kept_and_what_is_closed_stays_so():
    night = Night(lab(rule(people=("Ada",))))
    night.look(cause(), cause("request:x", "request", lasting=False))
    for who in ("Ada", "Ben"):
        night.acknowledge(1, who)
    assert night.desk.alerts[1].acknowledged == "Ada"
    night.looks(3 * MINUTE)
    assert not night.desk.alerts[1].open
    before = night.desk
    night.acknowledge(1, "Cid")
    assert night.desk == before


@pytest.mark.parametrize(("away", "returned"), [(11 * HOUR, 1), (13 * HOUR, 0)])
def test_what_comes_back_after_long_is_new(away, returned):
    night = Night(lab(rule(people=("Ada",))))
    night.looks(5 * MINUTE, cause())
    night.looks(away)
    night.look(cause())
    assert [a.returned for a in night.desk.alerts.values()] == [0, returned]


def test_one_alone_that_the_limit_held_back_is_told_as_itself():
    night = Night(lab(rule(people=("Ada",), most=2)))
    causes = [cause(f"found:sensor {name}") for name in "abc"]
    night.looks(59 * MINUTE, *causes)
    assert told(night.looks(HOUR, *causes)) == [("first", "Ada", (3,))]
    over = Night(lab(rule(people=("Ada",), most=2)))
    over.looks(30 * MINUTE, *causes)
    assert told(over.looks(2 * HOUR)) == [("over", "Ada", (3,))]


def test_an_end_passes_every_limit():
    night = Night(lab(rule("all", "sensor", "failure", people=("Ada",), most=2)))
    causes = [cause(f"found:sensor {name}") for name in "abcd"]
    night.looks(MINUTE, *causes)
    assert told(night.look(FAILURE, *causes)) == [("first", "Ada", (5,))]


def test_the_most_important_goes_first():
    night = Night(lab(rule("all", "sensor", "failure", "silent", "water", people=("Ada",))))
    went = night.look(cause(), WATER, cause("silent", "silent"), FAILURE)
    assert [night.desk.alerts[o.alerts[0]].kind for o in went] == [
        "failure",
        "silent",
        "sensor",
        "water",
    ]


def test_a_kind_that_no_rule_names_is_kept_and_told_to_nobody():
    night = Night(lab(rule()))
    assert night.looks(HOUR, FAILURE) == []
    assert [a.kind for a in night.desk.open_alerts()] == ["failure"]


def test_what_happened_stays_until_somebody_acknowledges():
    night = Night(lab(rule("all", "request", people=("Ada",), repeat=HOUR)))
    came = cause("request:x", "request", lasting=False, seq=7)
    night.look(happened=[came])
    assert night.desk.seen == 7
    assert len(night.looks(3.5 * HOUR)) == 3
    night.acknowledge(1)
    assert not night.desk.open_alerts()
    assert night.looks(3 * HOUR) == []


def test_an_end_tells_better_what_came_right_before_it():
    night = Night(lab(rule("all", "sensor", "failure", people=("Ada",))))
    night.look(happened=[cause(lasting=False, settle=20.0, seq=3)])
    night.now += timedelta(seconds=25)
    night.look(stopping=True)
    night.now += timedelta(seconds=25)
    night.looks(HOUR)
    again = Night(lab(rule("all", "sensor", "failure", people=("Ada",))))
    again.look(happened=[cause(lasting=False, settle=20.0, seq=3)])
    again.now += timedelta(seconds=25)
    again.look(stopping=True)
    again.now += timedelta(seconds=25)
    again.look(FAILURE, over=True)
    assert [night.desk.alerts[o.alerts[0]].kind for _, o in night.sent] == ["sensor"]
    assert [again.desk.alerts[o.alerts[0]].kind for _, o in again.sent] == ["failure"]
    assert again.desk.seen == 3


def test_what_happened_in_a_run_ends_with_it_but_for_requests():
    night = Night(lab(rule("all", "sensor", "request", people=("Ada",))))
    asked = cause("request:x", "request", lasting=False)
    night.look(happened=[cause(lasting=False, seq=2), asked])
    night.look(FAILURE, over=True)
    assert night.desk.alerts[1].closed_why == "the run is over"
    assert [a.kind for a in night.desk.open_alerts()] == ["request", "failure"]


def test_what_lasted_is_over_with_the_run_and_what_stays_can_be_reset_then():
    # Nobody looks any more once the end is told: what is open then is open for ever.
    night = Night(lab(rule("all", "sensor", "failure", people=("Ada",))))
    night.look(cause())
    night.look(FAILURE, over=True)
    assert [a.closed_why for a in night.desk.alerts.values()] == ["the run is over", ""]
    stays = Night(lab(rule("all", "sensor", "failure", people=("Ada",), stays=True)))
    stays.look(cause())
    stays.look(FAILURE, over=True)
    assert [a.over is None for a in stays.desk.open_alerts()] == [False, True]


def test_once_another_run_has_the_rig_nothing_of_the_old_one_is_told_again():
    every = rule("all", "failure", people=("Ada",), repeat=60.0, stays=True)
    escalates = rule("late", "failure", people=("Ada",), escalate_to=("Cid",), escalate_after=600.0)
    night = Night(lab(every, escalates))
    ended = cause("end:failure", "failure")
    assert told(night.look(ended, over=True)) == [("first", "Ada", (1,))]
    night.now += timedelta(seconds=60)
    assert told(night.look(ended, over=True)) == [("again", "Ada", (1,))]
    for _ in range(30):
        night.now += timedelta(seconds=60)
        assert night.look(ended, cause("gone", "gone"), over=True, another="night-5") == []
    assert [a.closed_why for a in night.desk.alerts.values()] == [
        "another run, night-5, has the rig"
    ]


def test_who_never_heard_how_the_old_run_ended_hears_it_as_of_what_is_over():
    night = Night(lab(rule("all", "failure", people=("Ada", "Ben"))))
    night.refuses = lambda order: True
    ended = cause("end:failure", "failure")
    night.look(ended, over=True)
    night.refuses = lambda order: False
    night.now += timedelta(seconds=31)
    assert told(night.look(ended, over=True, another="night-5")) == [
        ("over", "Ada", (1,)),
        ("over", "Ben", (1,)),
    ]
    # An end that nobody had seen before the other run began is not lost either.
    late = Night(lab(rule("all", "failure", people=("Ada",))))
    assert told(late.look(ended, over=True, another="night-5")) == [("over", "Ada", (1,))]
    assert late.desk.open_alerts() == ()
