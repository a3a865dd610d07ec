"""A shunt is switched on and off again, and compared with what the rig file states."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from rig.assembly import shunt
from rig.assembly.simulation import simulation_setup
from rig.clock import VirtualClock
from rig.commands.rig_alone import load_rig_alone
from rig.commands.shunt import in_words, shunt_object
from rig.errors import DeviceError, InputError
from rig.protocol.trust import Calibration, Trust
from simulators.faults import Missing
from simulators.rig import simulated_rig

STATED = 83.4e3  # N
POINTS = ((0.0, 0.0), (100e3, 110e3))
"""A calibration that would make the shunt look ten per cent too large."""


class Relay:
    """A relay across a bridge of the load cell, whose reading it raises by `adds` [N]."""

    def __init__(self, adds: float, *, stays_on: bool = False, refuses_off: bool = False) -> None:
        self.adds, self.stays_on, self.refuses_off = adds, stays_on, refuses_off
        self.orders: list[bool] = []
        self.on = False

    async def set(self, on: bool) -> None:
        self.orders.append(on)
        if self.refuses_off and not on:
            raise DeviceError("cabinet: no answer")
        self.on = on or self.stays_on


class Shown:
    """An acquisition whose load shows what the relay adds."""

    def __init__(self, acquisition, relay: Relay) -> None:
        self._acquisition, self._relay = acquisition, relay

    def __getattr__(self, name: str):
        return getattr(self._acquisition, name)

    async def read(self, frames: int):
        block = await self._acquisition.read(frames)
        values = block.values.copy()
        values[block.channels.index("load")] += np.float32(self._relay.adds * self._relay.on)
        return replace(block, values=values)


def plan_with(**further):
    plan = load_rig_alone(None)
    kept = Calibration(
        date(2026, 3, 14), date(2027, 3, 14), "C-0417", 400.0, (5e3, 250e3), POINTS, STATED
    )
    kept = replace(kept, **further)
    return replace(plan, rig=replace(plan.rig, trust=Trust(calibrations={"load": kept})))


@pytest.fixture
def rig(monkeypatch):
    """Return a function that puts a rig with a relay where one is opened."""

    def have(relay: Relay | None, faults=(), pressure: str = "off"):
        async def opened(plan, clock):
            setup = replace(simulation_setup(plan), faults=faults)
            own = simulated_rig(setup, 1, clock, paced=True)
            if pressure != "off":
                await own.actuator.pressure(pressure)
            shown = own.acquisition if relay is None else Shown(own.acquisition, relay)
            return replace(own, acquisition=shown, shunt=relay)

        monkeypatch.setattr(shunt, "opened", opened)
        return relay

    return have


@pytest.mark.virtual
async def test_a_shunt_that_shows_what_is_stated_is_good_whatever_is_corrected(rig):
    relay = rig(Relay(STATED * 1.002))
    plan = plan_with()
    done = await shunt.by_relay(plan, "load", VirtualClock())
    assert relay.orders == [True, False]
    assert done.good
    assert done.off_by == pytest.approx(0.002, abs=5e-4)
    said = in_words(plan, done)
    assert "more, the rig file says 83.4 kN (0." in said
    assert shunt_object(plan, done, "A. Name")["ok"] is True


@pytest.mark.virtual
@pytest.mark.parametrize(("share", "side"), [(0.97, "under"), (1.02, "over")])
async def test_a_bridge_that_shows_another_step_is_not_relied_on(rig, share, side):
    rig(Relay(STATED * share))
    plan = plan_with()
    done = await shunt.by_relay(plan, "load", VirtualClock())
    assert not done.good
    assert f"% {side}, 0.50% allowed; look at cell, cable and gain" in in_words(plan, done)


@pytest.mark.virtual
async def test_a_shunt_that_sticks_is_shouted(rig):
    rig(Relay(STATED, stays_on=True))
    plan = plan_with()
    done = await shunt.by_relay(plan, "load", VirtualClock())
    assert not done.good
    assert "THE SHUNT IS STILL ON: it reads 83.4 kN now" in in_words(plan, done)


@pytest.mark.virtual
async def test_a_relay_that_does_not_answer_is_shouted_after_several_tries(rig):
    relay = rig(Relay(STATED, refuses_off=True))
    with pytest.raises(DeviceError, match=r"THE SHUNT MAY STILL BE ON: cabinet: no answer"):
        await shunt.by_relay(plan_with(), "load", VirtualClock())
    assert relay.orders.count(False) == 5


@pytest.mark.virtual
async def test_under_pressure_nothing_is_switched(rig):
    relay = rig(Relay(STATED), pressure="high")
    with pytest.raises(DeviceError, match="the pressure is high: with a shunt on"):
        await shunt.by_relay(plan_with(), "load", VirtualClock())
    assert relay.orders == []


@pytest.mark.virtual
async def test_a_channel_without_a_value_is_told_and_nothing_is_switched(rig):
    relay = rig(Relay(STATED), faults=(Missing("load", 0, 10**9),))
    with pytest.raises(DeviceError, match="load has no value"):
        await shunt.by_relay(plan_with(), "load", VirtualClock())
    assert relay.orders == []


@pytest.mark.virtual
async def test_a_rig_is_asked_whether_it_has_a_relay(rig):
    rig(Relay(STATED))
    assert await shunt.found(plan_with(), VirtualClock()) == (True, True)
    rig(None)
    assert await shunt.found(plan_with(), VirtualClock()) == (True, False)


@pytest.mark.parametrize(
    ("plan", "channel", "phrase"),
    [
        (plan_with(shunt=None), "load", "states no shunt for load"),
        (plan_with(), "midspan", "states no shunt for midspan"),
        (plan_with(), "strain_1", "samples no channel 'strain_1'; it has load, midspan"),
    ],
    ids=["no shunt", "no calibration", "no channel"],
)
def test_a_channel_without_a_stated_shunt_is_refused(plan, channel, phrase):
    with pytest.raises(InputError, match=phrase):
        shunt.stated_shunt(plan.rig, channel)
