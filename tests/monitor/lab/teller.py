"""A rig that tells of a journal by messages of the program's own, as a process or beside others.

    python -m tests.monitor.lab.teller '{"port": 18830, "name": "frame-3", "folder": ..., ...}'

It stands for the program's own teller where a test needs many rigs that read one real journal.
"""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import aiomqtt

from rig.clock import SystemClock
from rig.monitor.looks import Numbered
from rig.monitor.mqtt import messages, topics
from rig.monitor.mqtt.connecting import client
from rig.monitor.secrets import Hidden
from rig.monitor.view import Follower, View
from rig.protocol.lab import Broker
from rig.record.history import read_journal
from tests.monitor.mqtt.seconds import one_second

EVERY = 0.5
"""Seconds between two looks, each of which is told whole."""


@dataclass
class Told:
    """What a rig tells of a journal: as `specimen`, of a run whose program is there or `gone`."""

    port: int
    name: str
    folder: str
    specimen: str
    lab: str = "lab-1"
    user: str = "frame-1"
    password: str = ""
    keep_alive: float = 60.0
    gone: bool = False
    events: bool = False

    def view(self, follower: Follower) -> View:
        view = follower.look()
        header = replace(view.header, specimen_id=self.specimen, run_id=f"run {self.specimen}")
        return replace(view, header=header, alive=not self.gone and view.ending is None)


async def tell(told: Told, over: Callable[[], bool], leaves: str = "ended") -> None:
    """Tell until it is over; then leave with a last word."""
    follower = Follower(Path(told.folder))
    view, taken = told.view(follower), SystemClock().utc()

    def said(kind: topics.Topic) -> str:
        return topics.topic(told.lab, told.name, kind)

    def presence(online: bool, cause: str | None) -> bytes:
        now = SystemClock().utc()
        return messages.as_payload(
            messages.presence(view.header, taken, online=online, since=now, cause=cause)
        )

    broker = Broker("127.0.0.1", told.port, told.user, keep_alive=told.keep_alive)
    will = aiomqtt.Will(said(topics.PRESENCE), presence(False, "lost"), 1, retain=True)
    password = Hidden(told.password) if told.password else None
    async with client(broker, password, f"{told.name}-{told.specimen}", will=will) as connected:

        async def publish(kind: topics.Topic, payload: bytes) -> None:
            await connected.publish(said(kind), payload, kind.qos, kind.retained)

        await publish(topics.PRESENCE, presence(True, None))
        seq = 0
        while not over():
            view = told.view(follower)
            await publish(topics.STATUS, state(told, view))
            await publish(
                topics.CYCLES, messages.as_payload(messages.cycles(view, one_second(view, 1)))
            )
            for kind, payload in (
                (topics.FORECAST, messages.forecast(view)),
                (topics.END, messages.end(view)),
            ):
                await publish(kind, messages.as_payload(payload))
            if told.events:
                seq = await happened(told, view, seq, publish)
            await asyncio.sleep(EVERY)
        await publish(topics.PRESENCE, presence(False, leaves))


def state(told: Told, view: View) -> bytes:
    return messages.as_payload(messages.status(view, told.lab, told.name))


async def happened(told: Told, view: View, after: int, publish: Callable) -> int:
    """Tell each event of the journal that is new; return the number of the last one."""
    with read_journal(Path(told.folder)) as journal:
        events = journal.events()
    for seq, event in enumerate(events[after:], after + 1):
        payload = messages.event(view, Numbered(seq, event))
        await publish(topics.EVENTS, messages.as_payload(payload))
    return len(events)


def as_argument(told: Told) -> str:
    return json.dumps(asdict(told))


if __name__ == "__main__":
    asyncio.run(tell(Told(**json.loads(sys.argv[1])), lambda: False))
