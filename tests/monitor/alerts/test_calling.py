"""What a run's looks call for: one cause one alert, and nothing for what is as foreseen."""

from dataclasses import replace
from datetime import UTC, timedelta

import pytest

from rig.monitor.alerts.calling import causes, happenings, heard_from, sure_causes, sure_happenings
from rig.monitor.alerts.cause import found_key, importance, movable
from rig.monitor.looks import Numbered
from rig.monitor.view import View
from rig.protocol.lab import KINDS
from rig.record.entries import Event, Residual
from rig.record.status import Coming, Foreseen
from tests.monitor import states, views
from tests.monitor.night_12 import HOUR, NOW, cycling, with_status

SLIPPED = "midspan slipped by 0.21 mm, the load unchanged"
LOST = "stiffness 20.1 % below the baseline"


def kinds(view: View, heard=None) -> list[tuple[str, ...]]:
    return [cause.kinds for cause in causes(replace(view, zone=UTC), heard or {})]


def numbered(*events: tuple[str, str]) -> list[Numbered]:
    return [Numbered(n, Event(6 * HOUR, 83_214, *each)) for n, each in enumerate(events, start=1)]


@pytest.mark.parametrize(
    ("view", "expected"),
    [
        (cycling, []),
        (views.wet, []),
        (views.simulated, []),
        (views.ageing, []),
        (views.old, []),
        (views.static, []),
        (states.starting, []),
        (states.build_up, []),
        (views.failure, [("failure",)]),
        (views.run_out, [("run-out",)]),
        (views.limit, [("limit",)]),
        (views.not_off, [("fault",)]),
        (views.ended("ultimate", "the load fell by 20 %", 0), [("ultimate",)]),
        (views.ended("operator", "stopped by A. Name", 83_214), [("operator",)]),
        (views.gone, [("gone",)]),
        (replace(views.old, now=NOW + timedelta(seconds=301)), [("silent",)]),
        (replace(views.old, room=100_000.0), [("record",)]),
        (replace(cycling, unreadable="not a database"), [("record",)]),
        (states.checklist, [("waits",)]),
        (states.locked, [("waits",)]),
        (states.waiting, [("inspection",)]),
        (views.warned, [("rig",), ("water",), ("rig",), ("specimen",)]),
        (views.rehearsal, []),
    ],
)
def test_a_look_calls_for_what_holds_and_for_nothing_else(view, expected):
    assert kinds(view) == expected


def test_a_program_that_is_gone_sends_to_the_rig_before_it_tells_how_to_go_on():
    (gone,) = causes(views.gone, {})
    first, then = gone.todo
    assert "look at the rig now" in first
    assert "emergency stop" in first
    assert "nightrig resume" in then


def test_an_end_by_a_leak_is_one_alert_that_concerns_water_too():
    view = views.ended("fault", "water found where none may be", 83_214)
    events = (*view.events[:-2], Event(1.0, 83_214, "state", "stopping, leak: water found"))
    assert kinds(replace(view, events=events)) == [("fault", "water")]
    assert not movable(("fault", "water"))


def test_a_residual_test_that_ended_in_a_fault_is_a_fault():
    ending = replace(views.run_out.ending, residual=Residual("fault", "the controller is silent"))
    assert kinds(replace(views.run_out, ending=ending)) == [("fault",)]
    broken = replace(ending, residual=Residual("ultimate", "broken", 120e3, 0.01))
    (cause,) = causes(replace(views.run_out, ending=broken), {})
    assert cause.kinds == ("run-out",)
    assert "residual capacity 120 kN" in cause.happened


def test_pressure_that_may_be_on_calls_at_any_hour_whoever_ended_it():
    ended = views.ended("operator", "stopped by A. Name", 83_214)
    view = replace(ended, events=(*ended.events, *views.not_off.events[-1:]))
    (cause,) = causes(view, {})
    assert cause.headline.startswith("PRESSURE NOT CONFIRMED OFF")
    assert not movable(cause.kinds)
    assert cause.todo[0].startswith("CAUTION: pressure NOT confirmed off: do not go near")


@pytest.mark.parametrize(
    ("cause", "why", "event", "expected"),
    [
        ("finding", SLIPPED, "sensor", ("sensor", "pause")),
        ("finding", LOST, "stiffness-step", ("pause", "specimen")),
        ("finding", "channels contradict each other", "conflict", ("sensor", "pause")),
        ("finding", "what no version before this one told", "", ("rig", "pause")),
        ("no flow", "two periods missed", "water", ("pause", "water")),
        ("unattended", "nobody looked after 30 min", "", ("pause",)),
        ("pause", "by A. Name, a look", "", ("waits",)),
        ("pause", "", "", ("waits",)),
    ],
)
def test_a_pause_is_one_alert_named_after_what_it_was_for(cause, why, event, expected):
    view = with_status(state="paused", cause=cause, why=why, troubles=(why,) if event else ())
    heard = {why: event} if event else {}
    assert kinds(view, heard) == [expected]
    # Nobody came, so it unloaded: that is the same cause still.
    later = with_status(
        state="unloaded", cause="wait over", why=f"nobody came in 30 min; it stood because: {why}"
    )
    if expected != ("waits",):
        before, after = causes(view, heard)[0], causes(later, heard)[0]
        assert before.key == after.key or not why
        assert before.mark != after.mark


def test_what_people_made_stand_calls_only_after_long():
    (cause,) = causes(with_status(state="paused", cause="pause", why="by A. Name"), {})
    assert cause.settle == 3600.0
    assert "A. Name" in cause.headline


def test_an_inspection_that_goes_on_by_itself_says_when_to_stay_out():
    soon = with_status(state="waiting", asks="look", coming=(Coming("it moves: stay out", 40.0),))
    (cause,) = causes(soon, {})
    assert cause.todo[0].startswith("STAY OUT")


def test_somebody_has_to_look_before_it_pauses():
    asks = "look after the rig, then: nightrig note"
    coming = (Coming("pauses unless somebody has looked", 600.0),)
    (cause,) = causes(with_status(asks=asks, coming=coming), {})
    assert cause.kinds == ("waits",)
    assert cause.todo[0] == asks


@pytest.mark.parametrize(
    ("text", "event", "expected"),
    [
        (SLIPPED, "sensor", "sensor"),
        (LOST, "stiffness-loss", "specimen"),
        ("would have stopped the test as failure: x", "stiffness-loss", "alert-only"),
        ("the last spray period was missed", "", "water"),
        ("3 periods missed", "", "water"),
        ("the pump does not switch off: close the water by hand", "", "water"),
        ("slow channels (temperatures, tank) do not come", "", "sensor"),
        ("insulation_1 is 12 MΩ, under 20 MΩ: strain_1 is in doubt", "", "sensor"),
        ("the load is above 102 % of upper load", "", "rig"),
        ("the load falls short although stiffness is as it was", "load-short", "rig"),
    ],
)
def test_a_trouble_has_the_kind_of_what_told_it(text, event, expected):
    heard = heard_from({}, numbered((event, text)) if event else [])
    assert kinds(with_status(troubles=(text,)), heard) == [(expected,)]


def test_a_trouble_whose_numbers_change_is_the_same():
    assert found_key("midspan slipped by 0.21 mm") == found_key("midspan slipped by -1,300.5 mm")
    assert found_key("strain_1 slipped") != found_key("strain_2 slipped")


def test_a_forecast_calls_once_its_median_is_within_a_day():
    def foreseen(latest: float) -> list[tuple[str, ...]]:
        told = Foreseen(2e6, 3e6, 4e6, soonest=2 * HOUR, latest=latest)
        return kinds(with_status(forecast=told))

    # The median lies half way in cycles: at half the time between soonest and latest.
    assert foreseen(45 * HOUR) == [("forecast",)]
    assert foreseen(47 * HOUR) == []
    assert kinds(with_status(forecast=Foreseen(why="too early"))) == []


@pytest.mark.parametrize(
    ("kind", "text", "expected"),
    [
        ("sensor", "the slow channels do not come: no answer", "sensor"),
        ("sensor", "the slow channels come again", ""),
        ("sensor", "insulation_1 is 200 MΩ: dry again", ""),
        ("water", "spray period missed: 0.2 L/min", "water"),
        ("water", "the pump does not switch on: no answer", "water"),
        ("water", "period 24: on, flow confirmed", ""),
        ("water", "the pump is off at last", ""),
        ("deviation", "dry for over 2.0 h", "water"),
        ("record", "the recorder died and was started again: signal 9", "record"),
        ("messages", "what tells people ended by itself and was started again", "message-way"),
        ("clock", "the computer's clock was stepped by +40 s, or it slept", "rig"),
        ("pressure", "NOT confirmed off: do not go near", "rig"),
        ("pressure", "off, as the controller says", ""),
        ("line", "controller; 1,000 good, 0 bad, 0 dropped", ""),
        ("line", "pump answers again after 3.1 s", ""),
        ("line", "pump does not answer", "rig"),
        ("verdict", "no failure", ""),
        ("limit", "load above 101.6 kN", ""),
        ("note", "crack at the left load point", ""),
        ("state", "stopping, verdict: x", ""),
        ("request", "pause by A. Name", ""),
    ],
)
def test_some_of_what_happens_calls_by_itself(kind, text, expected):
    found = [cause.kinds[0] for cause in happenings(cycling, numbered((kind, text)))]
    assert found == ([expected] if expected else [])


def test_what_happened_and_still_lasts_is_one_cause():
    (happened,) = happenings(cycling, numbered(("sensor", SLIPPED)))
    (lasting,) = causes(with_status(troubles=(SLIPPED,)), heard_from({}, []))
    assert happened.key == lasting.key
    paused = with_status(state="paused", cause="finding", why=SLIPPED)
    assert list(happenings(paused, numbered(("sensor", SLIPPED)))) == []


def test_a_defect_of_ours_is_told_as_such():
    broken = replace(cycling, status=replace(cycling.status, troubles=(None,)))
    (cause,) = sure_causes(broken, {})
    assert cause.kinds == ("rig",)
    assert "defect" in cause.happened


def test_an_event_that_cannot_be_told_keeps_no_other_from_being_told():
    torn = Numbered(1, replace(numbered(("sensor", SLIPPED))[0].event, text=None))
    (good,) = numbered(("sensor", "the slow channels do not come"))
    found = sure_happenings(cycling, [torn, replace(good, seq=2)])
    assert [(cause.key, cause.seq, cause.lasting) for cause in found] == [
        ("defect", 1, False),
        ("found:the slow channels do not come", 2, False),
    ]


def test_every_cause_says_what_happened_what_the_rig_did_and_what_to_do():
    seen = set()
    every = [v for module in (states, views) for v in vars(module).values() if isinstance(v, View)]
    for view in every:
        for cause in causes(view, {}):
            seen |= set(cause.kinds)
            assert all((cause.happened, cause.did, cause.todo, all(cause.todo)))
            assert set(cause.kinds) <= KINDS.keys()
            assert len(cause.headline) <= 80
    assert len(seen) >= 10


def test_importance_is_the_order_of_the_kinds():
    assert [importance(kind) for kind in KINDS] == list(range(len(KINDS)))
    assert importance("of a later version") == len(KINDS)
