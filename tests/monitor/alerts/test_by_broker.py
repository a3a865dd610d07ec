"""A test alert to a real broker: it counts once it is back, and else says what is in the way."""

import asyncio
from dataclasses import replace

import pytest

from rig.clock import SystemClock
from rig.monitor.alerts import by_broker
from rig.monitor.alerts.by_broker import broker_way
from rig.monitor.alerts.messages import WayDead
from rig.monitor.alerts.trying import Tried, tried
from rig.monitor.mqtt import connecting
from rig.protocol.lab import Secret
from tests.monitor.alerts.nights import lab, rule
from tests.monitor.alerts.post import alert
from tests.monitor.mqtt.afar_rig import broker
from tests.monitor.mqtt.broker import LAB, RIG, free_port
from tests.monitor.mqtt.schemas import check

__all__ = ["broker"]

pytestmark = pytest.mark.system

TRIED = lab(rule(ways=("mqtt", "mail")), rule("more", people=("Cid",), ways=("mqtt",)))


async def test_it_goes_out_once_for_all_and_comes_back(broker):
    way = broker_way(broker.file(), LAB, RIG)
    with broker.subscribed(f"nightrig/v1/{LAB}/{RIG}/alerts") as heard:
        found = [each async for each in tried(TRIED, {"mqtt": way}, RIG, SystemClock(), None)]
        heard.wait(lambda so_far: len(so_far.told) == 1)
    assert found == [
        Tried("mqtt", ("Ada", "Ben", "Cid"), ""),
        Tried("mail", ("Ada",), "it is not set up in this lab file"),
        Tried("mail", ("Ben",), "it is not set up in this lab file"),
    ]
    ((topic, payload, retained),) = heard.told
    assert (topic, retained) == (f"nightrig/v1/{LAB}/{RIG}/alerts", False)
    assert check("alerts", payload)["purpose"] == "test"


async def why(file, rig: str = RIG) -> str:
    """Return why nothing goes out."""
    with pytest.raises(WayDead) as raised:
        await broker_way(file, LAB, rig)(alert())
    return raised.value.reason


async def test_what_is_in_the_way_is_said(broker, monkeypatch):
    monkeypatch.setattr(by_broker, "WITHIN", 0.7)
    assert "wrong user or password" in await why(broker.file(password="another"))
    assert "write and read" in await why(broker.file(), rig="frame-9")
    assert "no such file" in await why(replace(broker.file(), password=Secret(file="/none/here")))
    assert "efused" in await why(replace(broker.file(), port=free_port()))


@pytest.mark.nights
async def test_a_broker_that_hangs_is_given_up(broker, monkeypatch):
    monkeypatch.setattr(connecting, "TIMEOUT", 0.5)
    broker.freeze()
    assert "it does not answer" in await why(broker.file())
    broker.kill()
    # The library looks once a second whether what it could not connect is over.
    left = [t for t in asyncio.all_tasks() if "_misc_loop" in repr(t)]
    await asyncio.gather(*left, return_exceptions=True)
