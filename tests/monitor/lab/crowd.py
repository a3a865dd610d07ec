"""A crowd of rigs in one process, each with a client of its own, for as long as its input is open.

    python -m tests.monitor.lab.crowd PORT PASSWORD LAB RIGS

All tell one real status each 5 s and their cycles each second. A number on standard input lets
that rig wait for somebody; when that went out is printed, in monotonic seconds.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime

from rig.monitor.mqtt import messages, topics
from rig.monitor.mqtt.connecting import client
from rig.monitor.secrets import Hidden
from rig.monitor.view import View
from rig.protocol.lab import Broker
from tests.monitor.lab.hall import specimen
from tests.monitor.mqtt.seconds import one_second
from tests.monitor.views import VIEWS

KINDS = ("cycling", "wet", "long_run")


def now_of(name: str, number: int) -> View:
    """Return one of the named runs as if it were now."""
    view, now = VIEWS[name], datetime.now(UTC)
    stamp = now.isoformat()
    status = replace(view.status, stamp=stamp, calendar=stamp)
    return specimen(replace(view, status=status, now=now), f"P-{number:03}")


async def one(broker: Broker, password: str, lab: str, number: int, waits: asyncio.Event) -> None:
    name = f"frame-{number}"
    async with client(broker, Hidden(password), f"crowd-{number}") as connected:

        async def publish(kind: topics.Topic, payload: messages.Payload | None) -> None:
            topic = topics.topic(lab, name, kind)
            await connected.publish(topic, messages.as_payload(payload), kind.qos, kind.retained)

        view, taken = now_of(KINDS[number % 3], number), datetime.now(UTC)
        here = messages.presence(view.header, taken, online=True, since=taken, cause=None)
        await publish(topics.PRESENCE, here)
        second, told = number % 5, False
        while True:
            view = now_of("paused" if waits.is_set() else KINDS[number % 3], number)
            if second % 5 == 0 or (waits.is_set() and not told):
                await publish(topics.STATUS, messages.status(view, lab, name))
                if waits.is_set() and not told:
                    told = True
                    print(number, time.monotonic(), flush=True)
            await publish(topics.CYCLES, messages.cycles(view, one_second(view)))
            second += 1
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(1.0):
                    await (asyncio.Event() if told else waits).wait()


async def main(port: str, password: str, lab: str, rigs: str) -> None:
    broker = Broker("127.0.0.1", int(port), "frame-1", keep_alive=60.0)
    waits = [asyncio.Event() for _ in range(int(rigs))]
    async with asyncio.TaskGroup() as group:
        tasks = []
        for number, event in enumerate(waits, 1):
            tasks.append(group.create_task(one(broker, password, lab, number, event)))
            await asyncio.sleep(0.01)
        while line := await asyncio.to_thread(sys.stdin.readline):
            waits[int(line) - 1].set()
        for task in tasks:
            task.cancel()


if __name__ == "__main__":
    asyncio.run(main(*sys.argv[1:]))
