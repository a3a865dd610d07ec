"""A rig at a real broker that takes requests from afar, with a real door behind it."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field, replace
from datetime import timedelta
from pathlib import Path

import pytest

from rig.assembly.afar_door import asks
from rig.clock import SystemClock
from rig.control.address import make_folder, socket_name
from rig.control.server import Door
from rig.monitor.mqtt import topics
from rig.monitor.mqtt.afar import Rules
from rig.monitor.mqtt.link import Link, Login, Unsaid
from rig.monitor.mqtt.serving import AfarRequests
from rig.monitor.mqtt.signing import instant
from tests.control.visitors import Rig, a_runtime
from tests.monitor.mqtt.afar_requests import ANSWERS, RULES, TOPIC
from tests.monitor.mqtt.broker import LAB, PROGRAMS, RIG, Broker


@pytest.fixture
def broker(tmp_path, system_program):
    """A broker in the clear."""
    for program in PROGRAMS:
        system_program(program)
    with Broker(tmp_path / "broker", tls=False).running() as running:
        yield running


@pytest.fixture
def runtime(monkeypatch):
    """A short folder for the socket of a run."""
    yield from a_runtime(monkeypatch)


assert topics.topic(LAB, RIG, topics.REQUESTS) == TOPIC
assert topics.topic(LAB, RIG, topics.ANSWERS) == ANSWERS


class LongHere(SystemClock):
    """Real time, of which an hour has passed since requests were first listened to."""

    begun = False

    def utc(self):
        now = super().utc()
        if self.begun:
            return now
        self.begun = True
        return now - timedelta(hours=1)


@contextlib.asynccontextmanager
async def a_run(folder: Path) -> AsyncIterator[Rig]:
    """Give a run of a folder: its real door, and somebody who does what is asked."""
    rig = Rig()
    door = Door(make_folder() / socket_name(folder), rig.desk, synced=rig.synced, look=rig.look)
    async with asyncio.TaskGroup() as group:
        work = group.create_task(rig.work())
        async with door:
            yield rig
        work.cancel()


@dataclass
class AtBroker:
    """What a rig at a broker did: its run, its requests, lines for people, what was heard."""

    run: Rig
    requests: AfarRequests
    told: list[str] = field(default_factory=list)
    troubles: list[str] = field(default_factory=list)
    heard: int = 0
    kept: int = 0


@contextlib.asynccontextmanager
async def rig_at(
    broker: Broker,
    folder: Path,
    rules: Rules = RULES,
    *,
    answers_to: Callable[[bytes], bytes] = lambda payload: payload,
) -> AsyncIterator[AtBroker]:
    """Let a rig take requests at a broker. `answers_to` may change what it answers."""
    file = broker.file(RIG)
    told: list[str] = []
    link: Link | None = None

    async def publish(payload: bytes) -> bool:
        assert link is not None
        with contextlib.suppress(Unsaid):
            await link.say(topics.ANSWERS, answers_to(payload))
            return True
        return False

    def hear(kind: topics.Topic, payload: bytes, retained: bool) -> None:
        if kind == topics.REQUESTS:
            there.heard += 1
            there.kept += retained
            requests.hear(payload, retained=retained)

    async with a_run(folder) as run:
        requests = AfarRequests(
            rules, ANSWERS, LongHere(), pass_on=asks(folder), publish=publish, tell=told.append
        )
        there = AtBroker(run, requests, told)
        login = Login(file, "frame-1-test", topics.branch(LAB, RIG))
        link = Link(
            login,
            SystemClock(),
            will=lambda: presence(rules.run, online=False, cause="lost"),
            hear=hear,
            tell=there.troubles.append,
        )
        asked = Link(
            replace(login, identifier="frame-1-test-r"),
            SystemClock(),
            will=lambda: None,
            hear=hear,
            tell=there.troubles.append,
            kinds=(topics.REQUESTS,),
        )
        async with asyncio.TaskGroup() as group:
            work = (requests.serve(), link.keep(), asked.keep())
            tasks = [group.create_task(each) for each in work]
            await asked.is_up()
            await link.is_up()
            await link.say(topics.PRESENCE, presence(rules.run))
            yield there
            for task in tasks:
                task.cancel()


def presence(run: str, *, online: bool = True, cause: str | None = None) -> bytes:
    since = instant(SystemClock().utc())
    told = {"v": 1, "run": run, "online": online, "since_utc": since, "started_utc": since}
    return json.dumps({**told, "cause": cause}).encode()


def allowing(*requests: str) -> Rules:
    """Return rules that allow these."""
    return replace(RULES, allowed=requests)
