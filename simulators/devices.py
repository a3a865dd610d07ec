"""The devices of the simulated rig beside its actuator, as the conductor sees them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any, cast

from rig.channels import Channel
from rig.clock import Clock
from rig.ports import InputState, PumpStatus
from rig.samples import SampleBlock
from simulators import motion as motions
from simulators.faults import InputChange
from simulators.machine import Machine
from simulators.motion import Motion
from simulators.sensors import slow_readings
from simulators.state import PumpState, RigState
from simulators.wear import SpecimenState


class SimulatedAcquisition:
    """Synchronous samples of the simulated rig.

    A block's values stay untouched while the next one is read: two buffers alternate.
    """

    def __init__(self, machine: Machine, clock: Clock | None) -> None:
        self._machine = machine
        self._clock = clock

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Sampled and slow channels."""
        return self._machine.world.setup.channels

    @property
    def rate(self) -> float:
        """Frames per second [Hz]."""
        return self._machine.world.rate

    @property
    def recording_over(self) -> bool:
        """Whether a recorded specimen has had more cycles than were recorded, and went on."""
        recorded = self._machine.world.setup.recorded
        return recorded is not None and recorded.over(self._machine.state.specimen.age)

    async def read(self, frames: int) -> SampleBlock:
        """Return the next frames; fewer, up to a multiple of 20 ms, after an event."""
        return self._machine.read(frames)

    async def keep(self, frames: int) -> None:
        """Put the rig to where it stood after `frames` of the block, and wait as long."""
        self._machine.keep(frames)
        if self._clock is not None:
            await self._clock.sleep(frames / self.rate)

    async def slow(self) -> dict[str, float]:
        """Return the slow channels at the present frame [SI]."""
        self._machine.arrive()
        names = tuple(c.name for c in self.channels if c.slow)
        return slow_readings(names, self._machine.world, self._machine.state)

    async def close(self) -> None:
        """End the noise thread; a later read starts it again."""
        self._machine.close()

    def snapshot(self) -> dict[str, Any]:
        """Return all that the rig remembers at the present frame as plain values (JSON)."""
        machine = self._machine
        machine.arrive()
        state, frame = machine.standing()
        return {
            "frame": frame,
            "state": asdict(state),
            "motion": type(state.motion).__name__,
            "limits": {k: list(v) for k, v in machine.limits.items()},
            "fed": machine.fed,
            "stuck": {str(k): v for k, v in machine.stuck.items()},
        }

    def restore(self, kept: Mapping[str, Any], alone: float = 0.0) -> None:
        """Stand at a snapshot of a rig with the same setup and seed, left `alone` [s] since."""
        fields = dict(kept["state"])
        kind = cast(type[Motion], getattr(motions, kept["motion"]))
        fields["motion"] = kind(**fields["motion"])
        fields["specimen"] = SpecimenState(**fields["specimen"])
        fields["pump"] = PumpState(**fields["pump"])
        fields["marks"] = tuple(fields.get("marks", ()))
        machine = self._machine
        machine.limits = {k: (v[0], v[1]) for k, v in kept["limits"].items()}
        machine.fed = int(kept["fed"])
        stuck = {int(k): v for k, v in kept["stuck"].items()}
        machine.restart(RigState(**fields), int(kept["frame"]), stuck)
        machine.leave(round(alone * self.rate))


class SimulatedPump:
    """The spray pump with a flow meter and a tank."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine

    async def set(self, on: bool) -> None:
        """Switch the pump."""
        self._machine.arrive()
        state = self._machine.state
        if on == state.pump.on:
            return
        tank = self._machine.world.tank(state.pump, state.frame)
        self._machine.change(replace(state, pump=PumpState(on, state.frame, tank)))

    async def status(self) -> PumpStatus:
        """Return whether it runs, flow [m3/s] and tank [m3]."""
        self._machine.arrive()
        world, state = self._machine.world, self._machine.state
        flow = world.flow(state.pump, state.frame)
        return PumpStatus(state.pump.on, flow, world.tank(state.pump, state.frame))


class SimulatedInputs:
    """Emergency stop, guard, leak, oil and button, as the scripted faults have them."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine

    async def read(self) -> InputState:
        """Return the inputs at the present frame."""
        self._machine.arrive()
        frame = self._machine.frame
        changes = [f for f in self._machine.world.setup.faults if isinstance(f, InputChange)]
        past = [c for c in sorted(changes, key=lambda c: c.frame) if c.frame <= frame]
        return past[-1].state if past else InputState(oil_temperature=311.15)


class SimulatedHorn:
    """The horn that warns people before anything moves; it remembers when it was switched."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._switched: list[tuple[int, bool]] = []

    @property
    def switched(self) -> list[tuple[int, bool]]:
        """Frames at which the horn was switched, and whether on."""
        return list(self._switched)

    async def set(self, on: bool) -> None:
        """Switch the horn."""
        self._machine.arrive()
        if on != (self._switched[-1][1] if self._switched else False):
            self._switched.append((self._machine.frame, on))
