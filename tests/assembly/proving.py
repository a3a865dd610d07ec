"""A rig with switches for the proof of its stops, in virtual time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from rig.assembly.ending_signals import Ending
from rig.assembly.prove_stops import Order, Proof, prove_on
from rig.assembly.stop_rows import ROWS, Moving
from rig.channels import Channel
from rig.clock import VirtualClock
from rig.commands.rig_alone import load_rig_alone
from rig.ports import ActuatorRange, InputState, Rig
from rig.protocol.plan import Plan, WarningSignal
from simulators.faults import Fault
from simulators.rig import simulated_rig
from simulators.setup import SimulationSetup
from tests.simulators.driving import TRUTH

CHANNELS = (
    Channel("load", "N", 5.0, -25e3, 260e3, 40.0),
    Channel("midspan", "m", 5e-7, -5e-3, 60e-3, 1e-6),
    Channel("support_left", "m", 5e-7, -5e-3, 60e-3, 1e-6),
    Channel("stroke", "m", 1e-6, -60e-3, 60e-3, 1e-6),
)
LIMITS = {"load": (-1.5e3, 180e3), "stroke": (-0.05, 0.055)}
"""What the controller's own limits are before anybody proves anything."""


def proven_plan(*, local_input: str = "button", channels: tuple[Channel, ...] = CHANNELS) -> Plan:
    """Return a plan on a frame whose horn warns for a tenth of a second."""
    plan = load_rig_alone(None)
    rig = replace(
        plan.rig,
        driver="a driver",
        channels=channels,
        warning=WarningSignal("horn", 0.1),
        local_input=local_input,
    )
    return replace(plan, rig=rig)


@dataclass
class Switches:
    """Inputs that are operated in the program; `does` is called in place of the one asked for."""

    clock: VirtualClock
    by_hand: bool = False
    within: float = 1.0
    takes: list[float] = field(default_factory=list)
    does: Callable[[str], Any] | None = None
    on: dict[str, bool] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)
    tasks: list[asyncio.Task[None]] = field(default_factory=list)

    async def read(self) -> InputState:
        return InputState(**self.on)

    async def operate(self, name: str) -> float | None:
        self.done.append(f"{name} on")
        if self.does is not None:
            self.does(name)
            return self.clock.now()
        if not self.by_hand:
            self.on[name] = True
            return self.clock.now()
        self.tasks.append(asyncio.ensure_future(self._later(name)))
        return None

    async def _later(self, name: str) -> None:
        await self.clock.sleep(self.takes.pop(0))
        self.on[name] = True

    async def release(self, name: str) -> None:
        self.done.append(f"{name} off")
        self.on.pop(name, None)


@dataclass
class Bench:
    """A rig, its switches, what it was told, and the proof of some of its stops."""

    clock: VirtualClock
    rig: Rig
    switches: Switches
    ending: Ending = field(default_factory=Ending)
    told: list[str] = field(default_factory=list)
    presses: bool = True

    async def prove(self, *causes: str, repeats: int = 1, plan: Plan | None = None) -> Proof:
        """Prove some rows."""
        await self.rig.actuator.write_limits(LIMITS)
        skip = frozenset(row.cause for row in ROWS) - set(causes)
        how = Moving(5e-4, 1e3, 25e3)
        order = Order(how, repeats, "A. Name", "B. Name, +00 000", skip, self._tell)
        plan = plan or proven_plan()
        try:
            return await prove_on(self.rig, plan, self.clock, order, self.switches, self.ending)
        finally:
            await self.rig.acquisition.close()  # type: ignore[attr-defined]

    def _tell(self, text: str) -> None:
        self.told.append(text)
        if self.presses and text.startswith("Now use the button"):
            self.switches.tasks.append(asyncio.ensure_future(self._press()))

    async def _press(self) -> None:
        await self.clock.sleep(3.0)
        self.switches.on["local_button"] = True
        await self.clock.sleep(0.5)
        self.switches.on.pop("local_button", None)

    async def assert_safe(self) -> None:
        """Hold that the valve is closed, the pressure off, and inputs and limits as before."""
        status = await self.rig.actuator.status()
        assert (status.mode, status.pressure, status.moving) == ("off", "off", False)
        assert await self.rig.actuator.read_limits() == LIMITS
        assert self.switches.on == {}


def bench(
    *,
    emulated: bool = True,
    watchdog: float = 0.5,
    channels: tuple[Channel, ...] = CHANNELS,
    faults: tuple[Fault, ...] = (),
    **switches: Any,
) -> Bench:
    """Return a rig at power-on, its beam a tenth of a millimetre below the rod."""
    clock = VirtualClock()
    setup = SimulationSetup(
        rate=1000.0,
        channels=channels,
        actuator=ActuatorRange(-20e3, 250e3, -0.06, 0.06, 0.1, 15.0),
        truth=TRUTH,
        gap=1e-4,
        watchdog=watchdog,
        faults=faults,
    )
    box = Switches(clock, **switches)
    rig = replace(simulated_rig(setup, 1, clock, paced=True), inputs=box, emulated=emulated)
    return Bench(clock, rig, box)


class Wrapped:
    """An actuator one of whose methods does something else."""

    def __init__(self, actuator: Any, name: str, act: Callable[..., Any]) -> None:
        self._actuator, self._name, self._act = actuator, name, act

    def __getattr__(self, name: str) -> Any:
        return self._act if name == self._name else getattr(self._actuator, name)
