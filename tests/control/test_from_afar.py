"""What comes from afar is a pause or stop that the run's own rig file allows, or is refused."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from types import SimpleNamespace

import pytest

from rig.assembly import rehearse
from rig.assembly.closing import LastDesk
from rig.control.desk import VERBS, Asked, Desk, Request
from rig.control.permit import not_from_afar
from rig.control.reception import STOPPING, Reception
from rig.control.request_line import NotUnderstood, read_request, write_request
from rig.protocol.lab import FROM_AFAR, Messages
from tests.control.asking import BY, QUICK, said, table


def allowing(plan, *requests: str):
    """Return a plan whose rig file allows requests from afar."""
    messages = Messages(lab="lab.toml", name="frame-1", requests=requests)
    return replace(plan, rig=replace(plan.rig, messages=messages))


@pytest.mark.parametrize("verb", VERBS)
def test_a_line_from_afar_asks_for_a_pause_or_a_stop_or_is_not_understood(verb):
    line = write_request({"ask": verb, "who": BY, "text": "rain", "from": "afar"})
    if verb in FROM_AFAR:
        assert read_request(line) == Request(verb, who=BY, text="rain", afar=True)
    else:
        with pytest.raises(NotUnderstood, match="from afar only pause and stop"):
            read_request(line)


@pytest.mark.parametrize("value", ["here", "AFAR", "", True, 1, 0, [], {}, ["afar"]])
def test_a_line_says_nothing_else_of_where_it_comes_from(value):
    with pytest.raises(NotUnderstood, match='"from" must be "afar"'):
        read_request(json.dumps({"ask": "stop", "who": BY, "from": value}).encode())


def test_the_run_holds_it_against_its_own_rig_file(plan_of):
    bare = plan_of("first-night")
    for allowed in (None, (), ("pause",), ("stop",), ("pause", "stop")):
        rig = (bare if allowed is None else allowing(bare, *allowed)).rig
        refused = {verb for verb in VERBS if not_from_afar(Request(verb, afar=True), rig)}
        assert refused == set(VERBS) - set(allowed or ())
        assert not any(not_from_afar(Request(verb), rig) for verb in VERBS)


async def test_a_stop_from_afar_never_answers_for_one_at_the_rig():
    desk = Desk()
    afar = desk.ask(Request("stop", who="A. Name", afar=True))
    here = desk.ask(Request("stop", who="B. Name"))
    first = desk.take(0)
    assert first.request.who == "B. Name"
    first.answer(done=True, text="unloads, then stops", state="cycling")
    assert here.result().done
    assert not afar.done()
    desk.close("the test has ended")
    assert not afar.result().done


async def test_what_the_disk_has_not_taken_is_never_given_up_from_afar():
    class Waiting:
        trouble = "night-1: the disk is full"
        given_up = ""

        def give_up(self, who: str) -> None:
            self.given_up = who

    desk = LastDesk()
    desk.finishing = waiting = Waiting()
    for _ in range(3):
        answer = desk.ask(Request("stop", who="A. Name", afar=True)).result()
        assert not answer.done
        assert "only from its own computer" in answer.text
    assert waiting.given_up == ""
    assert not desk.ask(Request("stop", who="B. Name")).result().done  # warned first
    assert desk.ask(Request("stop", who="B. Name")).result().done
    assert waiting.given_up == "B. Name"


def test_a_test_pauses_and_stops_from_afar_and_its_record_says_so(plan_of, tmp_path):
    plan = allowing(plan_of("first-night", QUICK), "pause", "stop")
    script = (
        (65.0, said("continue", afar=True)),
        (67.0, said("pause", "noise", afar=True)),
        (73.0, said("pause", afar=True)),
        (75.0, said("stop", afar=True)),
    )
    result = rehearse(plan, tmp_path / "run", 1, script=script)
    assert (result.outcome, result.why) == ("operator", f"stopped by {BY} from afar")
    told = [text for _, _, kind, text in table(result.run, "events") if kind == "request"]
    assert told == [
        f"continue by {BY} from afar refused: the rig file does not allow continue from afar",
        f"pause by {BY} from afar: noise",
        f"pause by {BY} from afar refused: not while pausing; possible now: stop",
        f"stop by {BY} from afar",
    ]
    (pause, *_) = table(result.run, "interruptions")
    assert f"by {BY} from afar, noise" in pause[3]


def test_without_leave_nothing_from_afar_is_done_and_a_stop_at_the_rig_is(plan_of, tmp_path):
    plan = allowing(plan_of("first-night", QUICK))
    script = (
        (65.0, said("pause", afar=True)),
        (66.0, said("stop", afar=True)),
        (70.0, said("stop")),
    )
    result = rehearse(plan, tmp_path / "run", 1, script=script)
    assert result.why == f"stopped by {BY}"
    told = [text for _, _, kind, text in table(result.run, "events") if kind == "request"]
    assert [" refused: " in text for text in told] == [True, True, False]


@pytest.mark.parametrize("afar", [True, False])
async def test_who_is_elsewhere_has_not_looked_after_the_rig(plan_of, afar):
    looks: list[str] = []
    station = SimpleNamespace(
        plan=allowing(plan_of("first-night"), "pause"),
        book=SimpleNamespace(state="cycling", event=lambda *_: None),
        stream=SimpleNamespace(frames=round, unanswered=(), now=0),
        looked=lambda: looks.append("looked"),
    )
    asked = Asked(Request("pause", who=BY, afar=afar), asyncio.get_running_loop().create_future())
    Reception(station, SimpleNamespace()).take(asked)
    assert station.stream.asked is asked
    assert looks == ([] if afar else ["looked"])


@pytest.mark.parametrize("afar", [True, False])
async def test_a_second_stop_is_done_already_wherever_it_comes_from(plan_of, afar):
    station = SimpleNamespace(
        plan=allowing(plan_of("first-night"), "stop"),
        book=SimpleNamespace(state="stopping", event=lambda *_: None),
        stream=SimpleNamespace(frames=round, unanswered=(), now=0),
        looked=lambda: None,
    )
    for verb, done in (("stop", True), ("note" if afar else "pause", False)):
        acted = asyncio.get_running_loop().create_future()
        asked = Asked(Request(verb, who=BY, afar=afar), acted)
        Reception(station, SimpleNamespace()).take(asked)
        assert acted.result().done is done
    assert acted.result().text != STOPPING
