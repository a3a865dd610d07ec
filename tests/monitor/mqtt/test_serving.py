"""What is taken from afar reaches the run by its door, and its answers come back signed."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from datetime import timedelta

from rig.assembly.afar_door import asks
from rig.clock import SystemClock
from rig.control.desk import Request
from rig.monitor.alerts.asked import from_afar
from rig.monitor.mqtt import serving
from rig.monitor.mqtt.serving import AfarRequests
from rig.monitor.mqtt.signing import verify
from tests.control.visitors import until
from tests.monitor.mqtt.afar_requests import ANSWERS, KEY, RULES, genuine
from tests.monitor.mqtt.afar_rig import LongHere, a_run, runtime
from tests.monitor.mqtt.schemas import check
from tests.monitor.night_12 import cycling

__all__ = ["runtime"]


class Post:
    """A broker that takes answers, or does not."""

    def __init__(self) -> None:
        self.there = True
        self.sent: list[dict] = []
        self.tries = 0
        self.told: list[str] = []

    async def publish(self, payload: bytes) -> bool:
        self.tries += 1
        if self.there:
            self.sent.append(check("answers", payload))
        return self.there

    def words(self, *names: str) -> list[tuple]:
        return [tuple(answer[name] for name in names) for answer in self.sent]


def now_utc():
    return SystemClock().utc()


@contextlib.asynccontextmanager
async def served(pass_on, rules=RULES):
    """Give requests from afar that are served, and what becomes of their answers."""
    post = Post()
    requests = AfarRequests(
        rules, ANSWERS, LongHere(), pass_on=pass_on, publish=post.publish, tell=post.told.append
    )
    async with asyncio.TaskGroup() as group:
        task = group.create_task(requests.serve())
        yield requests, post
        task.cancel()


async def test_pause_and_stop_reach_the_run_and_both_answers_come_back(runtime, tmp_path):
    async with a_run(tmp_path) as rig, served(asks(tmp_path)) as (requests, post):
        for ask in ("pause", "stop"):
            verdict = requests.hear(genuine(now_utc(), ask=ask, text="noise"), retained=False)
            assert verdict.reason == ""
            await until(lambda: post.sent and post.sent[-1]["answer"] == "recorded")
            nonce = verdict.request.nonce
            assert post.words("ask", "nonce", "answer", "text", "reason") == [
                (ask, nonce, "acted", "so it is", ""),
                (ask, nonce, "recorded", "", ""),
            ]
            assert all(verify(KEY, ANSWERS, answer) for answer in post.sent)
            post.sent.clear()
        await until(lambda: len(post.told) == 4)
    assert rig.done == [Request(a, "A. Name", "noise", afar=True) for a in ("pause", "stop")]
    assert post.told == [
        "pause by A. Name from afar: acted: so it is",
        "pause by A. Name from afar: recorded",
        "stop by A. Name from afar: acted: so it is",
        "stop by A. Name from afar: recorded",
    ]
    headlines = [cause.headline for cause in from_afar(cycling, post.told)]
    assert headlines == [f"ASKED FROM AFAR: {ask} by A. Name" for ask in ("pause", "stop")]


async def test_the_run_itself_refuses_what_may_not_come_from_afar(runtime, tmp_path):
    # Whatever the check before it: the door knows no more than pause and stop.
    async with a_run(tmp_path) as rig:
        ask = asks(tmp_path)
        for verb in ("continue", "unload", "confirm", "note"):
            message = {"ask": verb, "who": "A. Name", "from": "afar"}
            (answer,) = await asyncio.to_thread(lambda message=message: list(ask(message)))
            assert answer["answer"] == "refused"
    assert rig.done == []


async def test_where_no_run_is_it_is_told_so(runtime, tmp_path):
    async with served(asks(tmp_path)) as (requests, post):
        requests.hear(genuine(now_utc()), retained=False)
        await until(lambda: post.sent)
    (answer,) = post.words("answer", "text")
    assert answer == ("refused", "the run has ended, or its program is gone")


async def test_a_run_that_cannot_be_asked_ends_nothing():
    def pass_on(message):
        if message["ask"] == "pause":
            raise OSError(24, "Too many open files")
        yield {"answer": "acted", "text": "", "state": "cycling"}

    async with served(pass_on) as (requests, post):
        for ask in ("pause", "stop", "pause"):
            requests.hear(genuine(now_utc(), ask=ask), retained=False)
            await until(lambda ask=ask: post.sent and post.sent[-1]["ask"] == ask)
    assert post.words("ask", "answer") == [
        ("pause", "no answer"),
        ("stop", "acted"),
        ("pause", "no answer"),
    ]
    assert "could not be passed on (OSError); look at the state" in post.told[0]


async def test_a_stop_never_waits_behind_a_pause_and_storms_of_either_are_bounded():
    goes_on, begun = threading.Event(), []

    def pass_on(message):
        begun.append(message["ask"])
        if message["ask"] == "pause":
            goes_on.wait(10)
        yield {"answer": "acted", "text": "", "state": "cycling"}

    try:
        async with served(pass_on) as (requests, post):
            requests.hear(genuine(now_utc(), ask="pause"), retained=False)
            await until(lambda: begun == ["pause"])
            reasons = [
                requests.hear(genuine(now_utc(), ask="pause"), retained=False).reason
                for _ in range(3)
            ]
            assert reasons == ["", "busy", "busy"]
            requests.hear(genuine(now_utc(), ask="stop"), retained=False)
            await until(lambda: ("stop", "acted") in post.words("ask", "answer"))
            assert ("pause", "acted") not in post.words("ask", "answer")
            goes_on.set()
            await until(lambda: post.words("ask", "answer").count(("pause", "acted")) == 2)
    finally:
        goes_on.set()


async def test_answers_wait_for_the_broker_and_the_run_does_not(monkeypatch):
    monkeypatch.setattr(serving, "LOOKS_EVERY", 0.01)
    acted = []

    def pass_on(message):
        acted.append(message["ask"])
        yield {"answer": "acted", "text": "", "state": "cycling"}
        yield {"answer": "recorded"}

    async with served(pass_on) as (requests, post):
        post.there = False
        requests.hear(genuine(now_utc(), ask="pause"), retained=False)
        await until(lambda: post.tries > 2)
        requests.hear(genuine(now_utc(), ask="stop"), retained=False)
        await until(lambda: acted == ["pause", "stop"])
        assert post.sent == []
        post.there = True
        await until(lambda: len(post.sent) == 4)
    assert post.words("ask", "answer")[0] == ("pause", "acted")


async def test_an_answer_that_nobody_waits_for_any_more_is_not_sent(monkeypatch):
    monkeypatch.setattr(serving, "LOOKS_EVERY", 0.01)
    monkeypatch.setattr(serving, "ANSWERS_FOR", 0.05)
    async with served(lambda _: iter([{"answer": "acted"}])) as (requests, post):
        post.there = False
        requests.hear(genuine(now_utc(), ask="pause"), retained=False)
        await until(lambda: post.tries > 0)
        await asyncio.sleep(0.2)
        post.there = True
        requests.hear(genuine(now_utc(), ask="stop"), retained=False)
        await until(lambda: post.sent)
    assert post.words("ask", "answer") == [("stop", "acted")]


async def test_strangers_get_few_answers_and_take_none_from_who_knows_the_secret():
    async with served(lambda _: iter([{"answer": "acted"}])) as (requests, post):
        forged = genuine(now_utc(), key=b"of somebody else")
        for _ in range(500):
            assert requests.hear(forged, retained=False).reason == "forged"
        assert requests.hear(b"noise", retained=False).reason == "malformed"
        late = requests.hear(genuine(now_utc() - timedelta(hours=1)), retained=False)
        taken = genuine(now_utc())
        assert requests.hear(taken, retained=False).reason == ""
        assert requests.hear(taken, retained=False).reason == "seen"
        await until(lambda: ("acted", "") in post.words("answer", "reason"))
    reasons = [reason for (reason,) in post.words("reason")]
    assert reasons == ["forged"] * RULES.most + ["late", ""]
    assert "set the clock that is wrong" in late.text
    assert requests.refusals.counts["forged"] == 500
    assert any(line.startswith("500 requests from afar refused: not signed") for line in post.told)
