"""A hostile client with a login at the broker: nothing it sends acts, and it keeps no stop out."""

from __future__ import annotations

import asyncio
import gc
import multiprocessing
import tracemalloc
from collections.abc import Callable
from datetime import datetime
from multiprocessing.synchronize import Event

import paho.mqtt.client as paho
import pytest

from rig.clock import SystemClock
from rig.monitor.mqtt import asking
from rig.monitor.mqtt.afar import REASONS
from rig.monitor.mqtt.asking import Wanted, ask_afar
from rig.monitor.secrets import Hidden
from tests.control.visitors import Rig, until
from tests.monitor.mqtt.afar_requests import KEY, genuine, hostile
from tests.monitor.mqtt.afar_rig import TOPIC, broker, rig_at, runtime
from tests.monitor.mqtt.broker import LAB, PASSWORDS, RIG, Broker

__all__ = ["broker", "runtime"]

pytestmark = [pytest.mark.system, pytest.mark.nights]
SEED = 20_260_131
NUMBER = 2000
QUARTER = NUMBER // 4
WITHOUT = {"not-allowed", "starting", "too-many", "busy"}
"""Reasons that need a rig file, a start or a secret of another kind."""
FLAT = 100_000
"""Bytes that may come and go; a list of what was heard would take ten times as much."""


class Client:
    """A client with a thread of its own, which sends as fast as the broker takes it."""

    def __init__(self, broker: Broker, user: str) -> None:
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.username_pw_set(user, PASSWORDS[user])
        self._client.max_inflight_messages_set(1000)
        self._port = broker.port

    def __enter__(self) -> Client:
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        return self

    def __exit__(self, *_why: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def sends_on(self, change: Callable[[bytes], bytes]) -> None:
        """Send all that others ask for once more, changed."""

        def heard(_client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
            if (changed := change(message.payload)) != message.payload:
                self.send(changed, qos=0)

        self._client.on_message = heard
        self._client.subscribe(TOPIC)

    def send(self, payload: bytes, *, retain: bool = False, qos: int = 1) -> None:
        self._client.publish(TOPIC, payload, qos=qos, retain=retain)


def utc() -> datetime:
    return SystemClock().utc()


def used() -> int:
    gc.collect()
    return tracemalloc.get_traced_memory()[0]


async def test_two_thousand_hostile_requests_do_nothing_and_keep_no_stop_out(
    broker, runtime, tmp_path, record_property
):
    kept = genuine(utc())
    broker.publish(TOPIC, kept, retain=True)
    overheard, memory, heard = [kept], [], 1
    flood = hostile(SEED, NUMBER, utc, overheard)
    tracemalloc.start()
    try:
        async with rig_at(broker, tmp_path) as there:
            with Client(broker, "shift") as stranger, Client(broker, "shift") as friend:
                await until(lambda: there.kept == 1)
                for ask in ("", "pause", "", "stop"):
                    for number in range(QUARTER):
                        payload, retain = next(flood)
                        stranger.send(payload, retain=retain, qos=number % 2)
                        if ask and number == QUARTER // 2:
                            # In the middle of the storm somebody who knows the secret asks.
                            overheard.append(genuine(utc(), ask=ask, who="B. Name"))
                            friend.send(overheard[-1])
                    heard += QUARTER + bool(ask)
                    await until(lambda heard=heard: there.heard == heard)
                    if ask:
                        await until(
                            lambda ask=ask: f"{ask} by B. Name from afar: recorded" in there.told
                        )
                    memory.append(used())
    finally:
        tracemalloc.stop()
    assert [(r.verb, r.who, r.afar) for r in there.run.done] == [
        ("pause", "B. Name", True),
        ("stop", "B. Name", True),
    ]
    assert there.troubles == []
    counts = there.requests.refusals.counts
    assert sum(counts.values()) == NUMBER + 1
    assert {reason for reason, count in counts.items() if count} == set(REASONS) - WITHOUT
    assert max(memory) - memory[0] < FLAT
    lines = [line for line in there.told if "refused" in line]
    assert len(lines) <= len(REASONS)
    record_property("memory", memory)
    print("refused:", counts, "memory [B]:", memory, "lines:", len(there.told))


def storm(port: int, over: Event) -> None:
    """Send forged requests as fast as they can be made, until it is over: a program of its own."""
    stranger = paho.Client(paho.CallbackAPIVersion.VERSION2)
    stranger.username_pw_set("shift", PASSWORDS["shift"])
    stranger.max_queued_messages_set(1000)
    stranger.connect("127.0.0.1", port)
    stranger.loop_start()
    count = 0
    while not over.is_set():
        stranger.publish(TOPIC, genuine(utc(), key=b"of somebody else"), qos=count % 2)
        count += 1
    stranger.disconnect()
    stranger.loop_stop()


async def test_a_stop_comes_through_a_storm_and_so_does_what_the_rig_says(
    broker, runtime, tmp_path
):
    spawn = multiprocessing.get_context("spawn")
    over = spawn.Event()
    storms = [spawn.Process(target=storm, args=(broker.port, over)) for _ in "ab"]
    async with rig_at(broker, tmp_path) as there:
        for each in storms:
            each.start()
        try:
            await until(lambda: there.heard > 1000)
            wanted = Wanted(LAB, RIG, "stop", "B. Name")
            login = broker.file("shift"), Hidden(PASSWORDS["shift"])
            said = await ask_afar(*login, KEY, wanted, SystemClock(), print)
            assert all(each.is_alive() for each in storms)
        finally:
            over.set()
            for each in storms:
                await asyncio.to_thread(each.join, 30)
                each.close()
    assert (said.answer, said.recorded) == ("acted", True)
    assert {(r.verb, r.who) for r in there.run.done} == {("stop", "B. Name")}
    assert there.troubles == []
    print("heard:", there.heard, "stops:", len(there.run.done))


async def test_nobody_can_make_believe_that_a_request_was_refused(
    broker, runtime, tmp_path, monkeypatch
):
    # Who may read requests knows their nonces: a forgery with one of them is refused to it, in
    # words signed by the rig, before the run has answered.
    monkeypatch.setattr(asking, "AGAIN_AFTER", 0.3)
    goes_on, work = asyncio.Event(), Rig.work

    async def slow(rig: Rig) -> None:
        await goes_on.wait()
        await work(rig)

    monkeypatch.setattr(Rig, "work", slow)
    wanted, told = Wanted(LAB, RIG, "stop", "A. Name", "noise"), []
    async with rig_at(broker, tmp_path) as there, asyncio.TaskGroup() as group:
        with Client(broker, "shift") as stranger:
            stranger.sends_on(lambda payload: payload.replace(b"noise", b"voice"))
            file, password = broker.file("shift"), Hidden(PASSWORDS["shift"])
            asks = ask_afar(file, password, KEY, wanted, SystemClock(), told.append)
            asked = group.create_task(asks)
            counts = there.requests.refusals.counts
            # Of its own tries one is carried out and one waits: the third is told to be too many.
            await until(lambda: counts["forged"] >= 3 and counts["busy"] >= 1)
            await until(lambda: len(told) >= 3)
            goes_on.set()
            said = await asked
    assert (said.answer, said.recorded) == ("acted", True)
    assert {request.text for request in there.run.done} == {"noise"}
