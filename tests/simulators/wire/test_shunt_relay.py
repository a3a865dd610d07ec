"""The relay of the shunt resistors: a coil of the cabinet, and what the frames show with it on."""

from __future__ import annotations

import asyncio
import contextlib

import numpy as np
import pytest

from rig.clock import VirtualClock
from simulators.devices import SimulatedHorn, SimulatedInputs
from simulators.pacing import PacedMachine
from simulators.state import World
from simulators.wire.samples import SampleDevice, Shunt
from simulators.wire.stations import Cabinet
from tests.simulators.driving import QUIET, setup
from tests.simulators.wire.test_samples import bodies_of


async def no_slow() -> dict[str, float]:
    return {}


def cabinet(clock, told, *, horn=True, shunt=None):
    machine = PacedMachine(World(setup(), 1), 1, clock)
    return Cabinet(
        SimulatedHorn(machine) if horn else None,
        SimulatedInputs(machine),
        no_slow,
        clock,
        lambda what, how: told.append((what, how)),
        shunt,
    ), machine


@pytest.mark.virtual
async def test_coil_1_switches_the_relay_and_coil_0_still_the_horn():
    told, shunt = [], Shunt({"load": 5e4})
    at, machine = cabinet(VirtualClock(), told, shunt=shunt)
    await at.set_bit(1, on=True)
    assert (shunt.on, list(await at.bits("coil"))) == (True, [False, True])
    await at.set_bit(0, on=True)
    assert list(await at.bits("coil")) == [True, True]
    await at.set_bit(1, on=False)
    assert (shunt.on, list(await at.bits("coil"))) == (False, [True, False])
    assert told == [("shunt output", "on"), ("horn output", "on"), ("shunt output", "off")]
    machine.close()


@pytest.mark.virtual
async def test_a_cabinet_without_shunts_has_the_coils_it_had():
    told = []
    at, machine = cabinet(VirtualClock(), told)
    await at.set_bit(1, on=True)
    assert (told, list(await at.bits("coil"))) == ([], [False])
    machine.close()


@pytest.mark.virtual
async def test_its_watchdog_lets_go_of_the_relay_too():
    clock, told, shunt = VirtualClock(), [], Shunt({"load": 5e4})
    at, machine = cabinet(clock, told, shunt=shunt)
    watching = asyncio.ensure_future(at.watch())
    await at.set_word(0, 500)
    await at.set_bit(1, on=True)
    await clock.sleep(1.0)
    assert (shunt.on, told[-1]) == (False, ("shunt output", "off"))
    watching.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await watching
    machine.close()


@pytest.mark.virtual
async def test_frames_show_so_much_more_while_it_is_on():
    clock, sent, shunt = VirtualClock(), [], Shunt({"load": 5e4, "no such": 1.0})
    machine = PacedMachine(World(setup(rate=1000.0), 1), 1, clock)
    device = SampleDevice(machine, clock, lambda data, _at: sent.append(data), shunt)
    running = asyncio.ensure_future(device.run())
    await clock.sleep(0.1)
    await shunt.set(True)
    await clock.sleep(0.1)
    await shunt.set(False)
    await clock.sleep(0.1)
    running.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await running
    machine.close()
    count = len(QUIET)
    rows = [
        np.frombuffer(body[9 : 9 + 4 * count], "<f4")
        for body in bodies_of(b"".join(sent))
        if body[0] == 1
    ]
    loads = np.array([row[0] for row in rows])
    others = np.array([row[1:] for row in rows])
    assert set(np.round(loads, 3)) == {0.0, 50.0}  # kN
    assert 80 <= int((loads > 1).sum()) <= 120
    assert float(np.ptp(others, axis=0).max()) < 1.0
