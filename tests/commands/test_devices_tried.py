"""Rigs of any driver are surveyed, and their pump or horn is tried and switched off again."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import replace

import pytest

from rig.assembly.survey import Missing, missing, survey
from rig.assembly.trying import tried
from rig.clock import VirtualClock
from rig.commands.rig_alone import load_rig_alone
from rig.errors import DeviceError
from tests.assembly.offered import offer

DRIVER = """
from dataclasses import replace
from rig.errors import DeviceError
from rig.ports import InputState, PumpStatus
from simulators.rig import simulated_rig
from rig.assembly.simulation import simulation_setup
from rig.commands.rig_alone import load_rig_alone

ORDERS = []

class Pump:
    def __init__(self, pump, wrong):
        self.pump, self.wrong = pump, wrong

    async def set(self, on):
        ORDERS.append(on)
        if self.wrong == "stays on" and not on:
            raise DeviceError("no answer from the pump")
        await self.pump.set(on)

    async def status(self):
        status = await self.pump.status()
        return PumpStatus(False, 0.0, None) if self.wrong == "never runs" else status

class Wet:
    async def read(self):
        return InputState(leak=True)

class Broken:
    async def read(self):
        raise RuntimeError("half an answer")

async def open_rig(plan, clock):
    ORDERS.clear()
    wrong = plan.settings["wrong"]
    if wrong == "missing":
        raise DeviceError("frame: nothing comes; is it on?\\npump: no such port; plug it in")
    setup = simulation_setup(replace(load_rig_alone(None), rig=plan))
    rig = simulated_rig(setup, 1, clock, paced=True)
    rig = replace(rig, pump=Pump(rig.pump, wrong))
    inputs = {"leak": Wet(), "inputs": Broken()}.get(wrong, rig.inputs)
    return replace(rig, inputs=inputs)
"""


@pytest.fixture
def pumps(tmp_path, monkeypatch):
    """Install a driver whose pump has something wrong; return the orders that it was given."""
    (tmp_path / "pumps_of_the_tests.py").write_text(DRIVER)
    offer(tmp_path, "pumps", "pumps_of_the_tests")
    monkeypatch.syspath_prepend(str(tmp_path))
    yield lambda: sys.modules["pumps_of_the_tests"].ORDERS
    sys.modules.pop("pumps_of_the_tests", None)


def pump_plan(wrong: str):
    plan = load_rig_alone(None)
    return replace(plan, rig=replace(plan.rig, driver="pumps", settings={"wrong": wrong}))


@pytest.mark.virtual
async def test_a_driver_that_finds_nothing_is_told_line_by_line(pumps):
    plan = pump_plan("missing")
    found = await survey(plan, VirtualClock(), 1.0)
    assert missing(found, plan.rig) == (
        Missing("", "frame: nothing comes", "is it on?"),
        Missing("", "pump: no such port", "plug it in"),
    )


@pytest.mark.virtual
async def test_a_device_of_any_driver_that_fails_hides_nothing(pumps):
    plan = pump_plan("inputs")
    found = await survey(plan, VirtualClock(), 1.0)
    (one,) = missing(found, plan.rig)
    assert "half an answer" in one.what
    assert set(found.values) == {"load", "midspan", "support_left"}
    assert found.values["load"].lowest < found.values["load"].highest
    assert (found.status.pressure, found.inputs) == ("off", None)
    assert found.pump is not None
    assert pumps() == []


@pytest.mark.virtual
async def test_a_pump_is_on_for_two_seconds_and_its_flow_is_measured(pumps):
    clock = VirtualClock()
    done = await tried(pump_plan(""), "pump", clock)
    assert pumps() == [True, False]
    assert (done.seconds, done.ran) == (2.0, True)
    assert 0 < done.flow < 2.6e-5


@pytest.mark.virtual
async def test_a_pump_that_never_runs_is_told(pumps):
    assert (await tried(pump_plan("never runs"), "pump", VirtualClock())).ran is False
    assert pumps() == [True, False]


@pytest.mark.virtual
async def test_a_pump_that_cannot_be_switched_off_is_shouted(pumps):
    with pytest.raises(DeviceError, match=r"THE PUMP MAY STILL BE ON: .* close the water by hand"):
        await tried(pump_plan("stays on"), "pump", VirtualClock())
    assert pumps().count(False) == 5


@pytest.mark.virtual
async def test_no_water_is_put_where_water_was_found(pumps):
    with pytest.raises(DeviceError, match="was not switched on: water is found"):
        await tried(pump_plan("leak"), "pump", VirtualClock())
    assert pumps() == []


@pytest.mark.virtual
async def test_a_try_that_is_broken_off_switches_off(pumps):
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(1.0):
            await tried(pump_plan(""), "pump", VirtualClock())
    assert pumps() == [True, False]


@pytest.mark.virtual
async def test_a_horn_sounds_for_two_seconds():
    clock = VirtualClock()
    begun = clock.now()
    done = await tried(load_rig_alone(None), "horn", clock)
    assert (done.what, done.seconds, clock.now() - begun) == ("horn", 2.0, pytest.approx(2.0))
