"""Lines between the conductor and the simulated devices: answers that do not come, orders lost.

A device behind a line is the same device; only the accidents `Lost` and `Stuck` are met here, at
the frame at which something is asked of it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, Final, cast

from rig.clock import Clock
from rig.errors import DeviceError
from rig.ports import Acquisition, Actuator, ActuatorStatus, Horn, Inputs, Pump, Rig
from simulators.faults import Device, Fault, Lost, Stuck
from simulators.machine import Machine

_MOTIONS: Final = (
    "move_stroke",
    "move_load",
    "move_deflection",
    "cycle",
    "adjust",
    "end_cycling",
    "hold",
)
_NO_EFFECT: Final[dict[str, tuple[Device, tuple[str, ...]]]] = {
    "pressure": ("actuator", ("pressure",)),
    "motion": ("actuator", _MOTIONS),
    "heartbeat": ("actuator", ("heartbeat",)),
    "pump": ("pump", ("set",)),
}
"""By what is stuck: the device and the orders that take no effect."""


@dataclass(frozen=True, slots=True)
class _Way:
    """The way to every device: the machine that tells the frame, the clock of a paced rig."""

    machine: Machine
    clock: Clock | None
    faults: tuple[Lost | Stuck, ...]

    def now(self, device: Device, act: str) -> tuple[Lost | Stuck, ...]:
        """Return the accidents that an act on a device meets at the present frame."""
        self.machine.arrive()
        frame = self.machine.frame
        return tuple(
            f for f in self.faults if f.begin <= frame < f.end and _concerns(f, device, act)
        )

    async def answer_at(self, frame: int) -> None:
        """Wait until a frame has come; for ever where no clock drives the rig."""
        if self.clock is None:
            await asyncio.Event().wait()
            return
        self.machine.arrive()
        while (left := frame - self.machine.frame) > 0:
            await self.clock.sleep(left / self.machine.world.rate)
            self.machine.arrive()


def _concerns(fault: Lost | Stuck, device: Device, act: str) -> bool:
    if isinstance(fault, Lost):
        return fault.device == device and (not fault.acts or act in fault.acts)
    if fault.what == "motion" and (device, act) == ("actuator", "status"):
        return True
    return _NO_EFFECT[fault.what][0] == device and act in _NO_EFFECT[fault.what][1]


class _Line:
    """A device behind its line. Of the acquisition only the slow channels have a line."""

    def __init__(self, device: object, name: Device, way: _Way) -> None:
        self._device = device
        self._name: Device = name
        self._way = way

    def __getattr__(self, act: str) -> Any:
        found = getattr(self._device, act)
        if not asyncio.iscoroutinefunction(found) or (self._name == "slow" and act != "slow"):
            return found
        return self._through(act, found)

    def _through(self, act: str, call: Callable[..., Awaitable[Any]]) -> Callable[..., Any]:
        async def passed(*arguments: Any) -> Any:
            met = self._way.now(self._name, act)
            for fault in met:
                if isinstance(fault, Lost):
                    await self._lost(fault, act)
            if any(isinstance(f, Stuck) for f in met) and act != "status":
                return None
            answer = await call(*arguments)
            if met and isinstance(answer, ActuatorStatus):
                return replace(answer, moving=True)
            return answer

        return passed

    async def _lost(self, fault: Lost, act: str) -> None:
        if not fault.hangs:
            raise DeviceError(f"no answer from the {self._name} ({act}); look at its line")
        await self._way.answer_at(fault.end)


def behind_lines(rig: Rig, machine: Machine, clock: Clock | None, faults: Iterable[Fault]) -> Rig:
    """Return the rig with its devices behind lines, where an accident wants one."""
    wanted = tuple(f for f in faults if isinstance(f, Lost | Stuck))
    if not wanted:
        return rig
    way = _Way(machine, clock, wanted)
    return replace(
        rig,
        actuator=cast("Actuator", _Line(rig.actuator, "actuator", way)),
        acquisition=cast("Acquisition", _Line(rig.acquisition, "slow", way)),
        pump=cast("Pump", _Line(rig.pump, "pump", way)) if rig.pump is not None else None,
        inputs=cast("Inputs", _Line(rig.inputs, "inputs", way)),
        horn=cast("Horn", _Line(rig.horn, "horn", way)) if rig.horn is not None else None,
    )
