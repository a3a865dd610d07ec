"""A link to a broker that is not there, or does not let itself be read."""

from __future__ import annotations

import itertools

import pytest

from rig.clock import VirtualClock
from rig.monitor.mqtt.connecting import NotAllowed, subscribe
from rig.monitor.mqtt.link import FIRST_WAIT, LONGEST_WAIT, Link, Login
from rig.protocol.lab import Broker

pytestmark = pytest.mark.filterwarnings("error")
HANGS = 5.5
"""Seconds until a connection that nobody answers is given up."""


class Enough(Exception):
    pass


@pytest.mark.virtual
async def test_a_broker_that_never_answers_is_tried_less_and_less_often(monkeypatch):
    clock, tries = VirtualClock(), list[float]()

    async def once(self: Link) -> bool:
        del self
        tries.append(clock.now())
        if len(tries) == 10:
            raise Enough
        await clock.sleep(HANGS)
        return False

    monkeypatch.setattr(Link, "_once", once)
    login = Login(Broker("localhost", 1), "one", "nightrig/v1/lab-1/frame-1")
    link = Link(login, clock, will=lambda: None, hear=print, tell=print)
    with pytest.raises(Enough):
        await link.keep()
    waits = [later - before - HANGS for before, later in itertools.pairwise(tries)]
    assert 0.8 * FIRST_WAIT <= waits[0] <= 1.2 * FIRST_WAIT
    assert all(0.8 * LONGEST_WAIT <= wait <= 1.2 * LONGEST_WAIT for wait in waits[5:])


async def test_what_may_not_be_read_is_named():
    class Connected:
        async def subscribe(self, topics):
            # MQTT 5.0, 3.9.3: 0x01 granted, 0x87 not authorized.
            return [1, 0x87][: len(topics)]

    await subscribe(Connected(), "nightrig/a", 1)
    with pytest.raises(NotAllowed, match="does not let this user read nightrig/b: look at"):
        await subscribe(Connected(), ["nightrig/a", "nightrig/b"], 1)
