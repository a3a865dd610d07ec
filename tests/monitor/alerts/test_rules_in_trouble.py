"""The rules of alerts where ways are dead, clocks are put back, or far too much comes."""

from datetime import timedelta

from tests.monitor.alerts.nights import (
    HOUR,
    MINUTE,
    Night,
    cause,
    lab,
    rule,
    told,
)

WATER = cause("found:water", "water")
FAILURE = cause("end:failure", "failure")


def test_a_dead_way_is_told_on_the_others_once_and_when_it_works_again():
    night = Night(
        lab(
            rule(people=("Ada",), ways=("mail", "program")), rule("other", "water", people=("Ben",))
        )
    )
    dead = True
    night.refuses = lambda order: order.way == "mail" and dead
    went = night.looks(2 * HOUR, cause())
    alerts = night.desk.alerts
    assert [(o.way, alerts[o.alerts[0]].kind, o.purpose) for o in went] == [
        ("program", "sensor", "first"),
        ("program", "message-way", "first"),
    ]
    dead = False
    went = night.looks(HOUR, cause())
    assert [(o.way, alerts[o.alerts[0]].kind, o.purpose) for o in went] == [
        ("mail", "sensor", "first"),
        ("program", "message-way", "over"),
    ]
    assert night.looks(5 * HOUR, cause()) == []


def test_one_person_out_of_reach_is_told_to_the_others_by_the_same_way():
    night = Night(lab(rule(people=("Ada", "Ben"))))
    night.look(cause("found:before"))
    full = True
    night.refuses = lambda order: "Ben" in order.people and full
    went = night.looks(HOUR, cause("found:before"), cause())
    kinds = [(night.desk.alerts[o.alerts[0]].kind, *o.people, o.purpose) for o in went]
    assert kinds == [("sensor", "Ada", "first"), ("message-way", "Ada", "first")]
    full = False
    went = night.looks(HOUR, cause("found:before"), cause())
    kinds = [(night.desk.alerts[o.alerts[0]].kind, *o.people, o.purpose) for o in went]
    assert kinds == [("sensor", "Ben", "first"), ("message-way", "Ada", "over")]


def test_one_failure_by_chance_is_no_dead_way():
    night = Night(lab(rule(people=("Ada",), ways=("mail", "program"))))
    failures = iter([True])
    night.refuses = lambda order: order.way == "mail" and next(failures, False)
    went = night.looks(HOUR, cause())
    assert sorted((o.way, o.purpose) for o in went) == [("mail", "first"), ("program", "first")]
    assert len(night.desk.alerts) == 1


def test_a_rule_for_dead_ways_that_names_a_dead_way_alone_is_not_followed():
    night = Night(
        lab(
            rule("all", "sensor", ways=("mail", "program"), people=("Ada",)),
            rule("ways", "message-way", ways=("mail",), people=("Ben",)),
        )
    )
    night.refuses = lambda order: order.way == "mail"
    went = night.looks(HOUR, cause())
    assert [(o.way, o.people) for o in went[1:]] == [("program", ("Ada", "Ben"))]
    # By a way that is dead nobody is tried whom it has never reached.
    assert {tuple(each["people"]) for each in night.lines if each["what"] == "failed"} == {("Ada",)}


def test_a_clock_that_is_put_back_holds_up_no_repeat():
    night = Night(lab(rule(people=("Ada",), repeat=HOUR)))
    night.look(cause())
    night.now -= timedelta(hours=9)
    assert [o.purpose for o in night.look(cause())] == ["again"]


def test_a_clock_that_is_put_back_holds_up_nothing_new():
    # A computer that began nine hours ahead and has its time set: as by NTP after a start.
    night = Night(lab(rule(people=("Ada",), most=2)))
    settling = cause("found:slow", settle=5.0)
    came = cause("found:came", lasting=False, settle=20.0, seq=3)
    night.look(cause("found:a"), cause("found:b"), settling, happened=[came])
    assert len(night.sent) == 2
    night.now -= timedelta(hours=9)
    assert night.looks(MINUTE, settling, every=1.0)
    told_of = {night.desk.alerts[n].key for _, order in night.sent for n in order.alerts}
    assert told_of == {"found:a", "found:b", "found:slow", "found:came"}


def test_a_clock_that_is_put_back_closes_what_is_over_all_the_same():
    night = Night(lab(rule(people=("Ada",))))
    night.look(cause())
    night.now -= timedelta(hours=9)
    night.looks(3 * MINUTE)
    assert not night.desk.open_alerts()


def test_a_clock_that_is_put_back_holds_up_no_escalation():
    ruled = rule(people=("Ada",), escalate_after=HOUR, escalate_to=("Cid",))
    night = Night(lab(ruled))
    night.look(cause())
    night.now -= timedelta(hours=9)
    assert told(night.look(cause())) == [("escalated", "Cid", (1,))]


def test_a_silence_that_a_wrong_clock_made_is_not_believed_for_a_year():
    night = Night(lab(rule(people=("Ada",))))
    night.now += timedelta(days=365)
    night.silence("sensor", 3 * HOUR)
    night.now -= timedelta(days=365)
    assert told(night.look(cause())) == [("first", "Ada", (1,))]
    week = Night(lab(rule(people=("Ada",))))
    week.silence("sensor", 7 * 24 * HOUR)
    assert week.looks(6.9 * 24 * HOUR, cause(), every=HOUR) == []


def test_repeats_leave_room_for_what_is_new():
    night = Night(lab(rule(people=("Ada",), most=4, repeat=15 * MINUTE)))
    old = [cause(f"found:{name}") for name in "abc"]
    night.looks(2 * HOUR, *old)
    for _ in range(20):
        night.looks(MINUTE, *old)
        fresh = Night(night.lab, night.now, night.desk, night.watch, sent=[*night.sent])
        assert ("first", "Ada", (4,)) in told(fresh.look(*old, cause("found:new")))


def test_silence_of_a_rig_waits_behind_no_flood():
    night = Night(lab(rule("all", "sensor", "silent", people=("Ada",), most=2)))
    causes = [cause(f"found:sensor {name}") for name in "abcd"]
    night.looks(MINUTE, *causes)
    assert told(night.look(cause("silent", "silent"), *causes)) == [("first", "Ada", (5,))]
