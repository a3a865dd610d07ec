"""One case of a storm: a whole emulated rig, accidents on its lines, what the drivers make of it.

Held against the truth: every sample against those of a machine with the same setup and seed,
every answer of the controller against what was written, every state of the pump against what it
was told, every slow value against what the simulated rig has.
"""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from drivers.serial_rig import open_rig
from rig.assembly.emulation import emulated_setup
from rig.clock import SystemClock
from rig.commands.files import load
from rig.errors import DeviceError
from rig.ports import Rig
from rig.protocol.plan import Plan, RigPlan
from simulators.machine import Machine
from simulators.setup import SimulationSetup
from simulators.state import World
from simulators.wire.emulation import Emulation, emulation, framings
from simulators.wire.rig_text import rig_text
from simulators.wire.troubles import SCRIPTS, OnLine, Script, Unplugged, random_line

PACKAGED = Path(str(resources.files("protocols")))
PROTOCOL = PACKAGED / "first-night.toml"
RATE = 200.0
WORK = 2.0
"""Seconds in which devices are asked and told while accidents happen."""
AGAIN = 25.0
"""Seconds in which all must be well again where the rig file lets a line come back."""

MESSAGES = {"servo": (8, 60), "samples": (260, 560), "bus": (24, 90), "thermometer": (2, 8)}
"""Messages of a port at which accidents begin: after all devices have been found."""

TRUE = {"temperature_air": 293.15, "temperature_water": 292.65, "temperature_oil": 311.15}
"""Temperatures of the simulated rig about midnight [K]."""


@dataclass
class Case:
    """What happened in one case. `wrong` must stay empty."""

    seed: int
    script: Script
    reopen: bool
    wrong: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    hit: list[str] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    frames: int = 0
    missing: int = 0


@cache
def plan_of(folder: Path) -> Plan:
    """Return the plan whose rig is emulated, at a low rate: what is tested are the lines."""
    text = (PACKAGED / "rigs" / "simulated.toml").read_text("utf-8")
    text = text.replace('rate = "1 kHz"', f'rate = "{RATE:g} Hz"')
    (folder / "rig.toml").write_text(text, "utf-8")
    return load(str(PROTOCOL), str(folder / "rig.toml"))


def drawn(seed: int) -> tuple[Script, bool]:
    """Return the accidents of a case, and whether lost lines come back."""
    draw = random.Random(seed)
    ports = draw.sample(list(MESSAGES), draw.randint(1, 3))
    lines = tuple(_short(random_line(port, draw, MESSAGES[port])) for port in ports)
    return Script(f"case {seed}", lines), draw.random() < 0.8


def _short(line: OnLine) -> OnLine:
    """Return accidents that are over soon: a device that stays dead is asked ever less often."""
    if line.port == "samples":
        return line
    return replace(line, troubles=tuple(replace(t, count=min(t.count, 3)) for t in line.troubles))


def named(name: str) -> Script:
    """Return the script of a name with its first accident soon, and no second one."""
    lines = []
    for line in SCRIPTS[name].lines:
        first = 1500 if line.unit == "byte" else MESSAGES[line.port][0]
        soon = tuple(replace(trouble, first=first, every=0) for trouble in line.troubles)
        lines.append(replace(line, troubles=soon))
    return Script(name, tuple(lines))


async def carried_out(seed: int, folder: Path, plan: Plan, *, script: Script | None = None) -> Case:
    """Carry one case out, by a script or one drawn from the seed, and return what happened."""
    random_script, reopen = drawn(seed)
    if script is None:
        script = random_script
    else:
        reopen = True
    case = Case(seed, script, reopen)
    setup = emulated_setup(plan)
    clock = SystemClock()
    folder.mkdir(parents=True, exist_ok=True)
    set_as = framings(setup.rate, 3)
    async with emulation(setup, seed, clock, folder, trouble=script) as emulated:
        (folder / "wire.toml").write_text(rig_text(plan.rig, emulated.paths, set_as), "utf-8")
        found = load(str(PROTOCOL), str(folder / "wire.toml")).rig
        await _worked(case, _patient(found, reopen), setup, emulated, clock)
    return case


def _patient(plan: RigPlan, reopen: bool) -> RigPlan:
    """Return the rig with a thermometer that is asked often, and ports as the case has them."""
    assert plan.wire is not None
    ports = tuple(replace(port, reopen=reopen) for port in plan.wire.ports)
    instruments = tuple(replace(one, every=0.2) for one in plan.wire.instruments)
    return replace(plan, wire=replace(plan.wire, ports=ports, instruments=instruments))


async def _worked(
    case: Case, plan: RigPlan, setup: SimulationSetup, emulated: Emulation, clock: SystemClock
) -> None:
    try:
        rig = await open_rig(plan, clock)
    except DeviceError as error:
        # An accident while the devices are looked for: one line for each, and nothing is started.
        case.errors += [str(error)]
        return
    try:
        end = clock.now() + WORK
        jobs = (_samples, _controller, _pump, _slow)
        await asyncio.gather(*(job(case, rig, setup, end) for job in jobs))
        await _well_again(case, rig)
    finally:
        if rig.lines is not None:
            case.told += rig.lines.told()
            for line in rig.lines.report():
                if line.bad or line.dropped or line.trouble:
                    case.hit.append(line.port)
                if line.trouble:
                    case.lost.append(line.port)
        assert rig.closing is not None
        await rig.closing()


async def _samples(case: Case, rig: Rig, setup: SimulationSetup, end: float) -> None:
    """Read all samples; hold each against the machine's own."""
    clock, machine = SystemClock(), Machine(World(setup, case.seed), case.seed)
    made, ahead = np.empty((3, 0), np.float32), 0
    following = None
    try:
        while clock.now() < end + 1.0:
            async with asyncio.timeout(4.0):
                block = await rig.acquisition.read(4)
            await rig.acquisition.keep(block.frames)
            if following is not None and block.first != following:
                case.wrong.append(f"frames jump from {following} to {block.first}")
            following = block.end
            while ahead < block.end:
                more = machine.read(500)
                machine.keep(more.frames)
                made = np.concatenate([made, more.values], axis=1)
                ahead = more.end
            true = made[:, block.first : block.end]
            valid = ~np.isnan(block.values)
            if not np.allclose(block.values[valid], true[valid], rtol=1e-6, atol=1e-9):
                case.wrong.append(f"a sample that was never taken, in {block.first}")
            case.frames += block.frames
            case.missing += int((~valid).all(axis=0).sum())
    except (DeviceError, TimeoutError) as error:
        case.errors.append(f"samples: {error or 'none for 4 s'}")
    finally:
        machine.close()


async def _repeated(
    case: Case, end: float, name: str, every: float, act: Callable[[int], Awaitable[None]]
) -> None:
    clock, number = SystemClock(), 0
    while clock.now() < end:
        try:
            await act(number)
        except DeviceError as error:
            case.errors.append(f"{name}: {error}")
        number += 1
        await asyncio.sleep(every)


async def _controller(case: Case, rig: Rig, _setup: SimulationSetup, end: float) -> None:
    """Write limits, read them back, ask for the state: never the answer to another question."""
    possible: list[tuple[float, float]] = []

    async def act(number: int) -> None:
        nonlocal possible
        wanted = (-1000.0 - number, 50_000.0 + 1000 * number)
        possible = [*possible, wanted]
        await rig.actuator.write_limits({"load": wanted})
        possible = [wanted]
        got = (await rig.actuator.read_limits())["load"]
        if not any(np.allclose(got, p, atol=1e-3) for p in possible):
            case.wrong.append(f"limits read {got}, may be {possible}")
        status = await rig.actuator.status()
        told = (status.mode, status.moving, status.counter, status.tripped, status.stroke)
        if told != ("off", False, 0, "", 0.0):
            case.wrong.append(f"the controller says {status}")

    await _repeated(case, end, "controller", 0.02, act)


async def _pump(case: Case, rig: Rig, setup: SimulationSetup, end: float) -> None:
    """Switch the pump and ask whether it runs; read the inputs."""
    pump = rig.pump
    assert pump is not None

    async def act(number: int) -> None:
        on = number % 2 == 0
        await pump.set(on)
        status = await pump.status()
        # Its watchdog may have let go of it while its line was out: off is then the truth.
        if status.on and not on:
            case.wrong.append(f"the pump was switched off and says {status}")
        for value, most in ((status.flow, setup.pump_flow), (status.tank, setup.tank)):
            if value is not None and not math.isnan(value) and not 0 <= value <= most * 1.001:
                case.wrong.append(f"the pump says {status}")
        inputs = await rig.inputs.read()
        if inputs.emergency_stop or inputs.guard_open or inputs.leak or inputs.local_button:
            case.wrong.append(f"the inputs are {inputs}")

    await _repeated(case, end, "pump", 0.03, act)


async def _slow(case: Case, rig: Rig, _setup: SimulationSetup, end: float) -> None:
    """Read the slow channels: each value is the rig's own, or none."""

    async def act(_number: int) -> None:
        values = await rig.acquisition.slow()
        for name, value in TRUE.items():
            if not math.isnan(values[name]) and abs(values[name] - value) > 1.5:
                case.wrong.append(f"{name} is {values[name]}")

    await _repeated(case, end, "slow", 0.1, act)


async def _well_again(case: Case, rig: Rig) -> None:
    """Wait until everything answers; a line that was pulled and shall not come back need not."""
    asked: dict[str, Callable[[], Awaitable[Any]]] = {
        "servo": rig.actuator.status,
        "bus": rig.inputs.read,
    }
    for port, ask in asked.items():
        if (case.reopen or not _pulled(case.script, port)) and not await _answers(ask):
            case.wrong.append(f"{port} does not answer any more")
    for name, port in (("temperature_air", "thermometer"), ("temperature_water", "bus")):

        async def ask(name: str = name) -> None:
            if math.isnan((await rig.acquisition.slow())[name]):
                raise DeviceError(f"no {name}")

        if (case.reopen or not _pulled(case.script, port)) and not await _answers(ask):
            case.wrong.append(f"{name} does not come any more")


async def _answers(ask: Callable[[], Awaitable[Any]]) -> bool:
    end = SystemClock().now() + AGAIN
    while SystemClock().now() < end:
        try:
            await ask()
            return True
        except DeviceError:
            await asyncio.sleep(0.1)
    return False


def _pulled(script: Script, port: str) -> bool:
    return any(
        isinstance(trouble, Unplugged)
        for on in script.lines
        if on.port == port
        for trouble in on.troubles
    )
