"""The interfaces the conductor drives: Actuator, Acquisition, Pump, Inputs, Horn.

Device time is the acquisition's frame count. A command takes effect at the first frame not yet
read. All quantities SI; compressive (downward) load, stroke and deflection are positive.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

from rig.channels import Channel
from rig.samples import SampleBlock

Pressure = Literal["off", "low", "high"]
"""Hydraulic pressure: "low" holds the rod where it is and moves nothing by command."""


@dataclass(frozen=True, slots=True)
class ActuatorRange:
    """What the actuator can do: ranges [N, m], speed [m/s], frequency [Hz]."""

    load_low: float
    load_high: float
    stroke_low: float
    stroke_high: float
    speed: float
    frequency: float


@dataclass(frozen=True, slots=True)
class ActuatorStatus:
    """What the controller says of itself.

    `mode` is "off", "stroke", "load" or "deflection" (what closes the loop), `moving` tells
    whether a ramp or cycling is under way, `counter` the cycles of its waveform since power-on,
    `tripped` the name of its own limit that stopped it or "", `stopped_by` "" or what
    ended the motion: "limit", "count", "watchdog". `stroke` is the actuator's own reading [m].
    """

    mode: str
    moving: bool
    counter: int
    tripped: str
    stopped_by: str
    pressure: Pressure
    stroke: float


class Actuator(Protocol):
    """One servo channel with its loop closed in the controller."""

    @property
    def range(self) -> ActuatorRange:
        """Ranges the controller accepts."""

    async def pressure(self, level: Pressure) -> None:
        """Set hydraulic pressure; from "off" only with command equal to feedback."""

    async def move_stroke(self, to: float, speed: float) -> None:
        """Ramp to a stroke [m] at a speed [m/s] in stroke control, from where it stands."""

    async def move_load(self, to: float, rate: float) -> None:
        """Ramp to a load [N] at a rate [N/s] in load control, bumpless from where it stands."""

    async def move_deflection(self, to: float, speed: float) -> None:
        """Ramp net deflection [m] at a speed [m/s], net deflection being the feedback."""

    async def cycle(self, mean: float, amplitude: float, frequency: float, over: float) -> None:
        """Cycle sinusoidally in load control [N, N, Hz]; amplitude grows from 0 over [s]."""

    async def adjust(self, mean: float, amplitude: float) -> None:
        """Change mean and amplitude [N] of the cycling under way."""

    async def end_cycling(self, over: float) -> None:
        """Let the amplitude fall to zero over [s]; the mean stays."""

    async def hold(self) -> None:
        """Stay at the present stroke."""

    async def close_valve(self) -> None:
        """Close the valve now; nothing moves by command after it."""

    async def write_limits(self, limits: Mapping[str, tuple[float, float]]) -> None:
        """Write the controller's own limits by channel name [SI]."""

    async def read_limits(self) -> dict[str, tuple[float, float]]:
        """Read the controller's own limits back."""

    async def stop_at(self, count: int | None) -> None:
        """Stop cycling by itself when the counter reaches a count; None takes it away."""

    async def heartbeat(self) -> None:
        """Tell the controller's watchdog that a fresh block has passed the limits."""

    async def status(self) -> ActuatorStatus:
        """Ask the controller for its state."""


class Acquisition(Protocol):
    """Synchronous samples of all channels."""

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Sampled and slow channels; the sampled ones in the order of a block's rows."""

    @property
    def rate(self) -> float:
        """Frames per second of device time [Hz]."""

    async def read(self, frames: int) -> SampleBlock:
        """Return the next frames, at most `frames`, fewer when something happened to the rig.

        The block is kept only by `keep`: a second `read` without one is an error.
        """

    async def keep(self, frames: int) -> None:
        """Accept the first `frames` of the block just read.

        A simulated rig is put back to where it stood after them. A real device cannot: for it
        the count is always the whole block.
        """

    async def slow(self) -> dict[str, float]:
        """Return the present values of the slow channels [SI]."""


@dataclass(frozen=True, slots=True)
class PumpStatus:
    """What the pump says: running, flow [m3/s] and tank content [m3] where it measures them."""

    on: bool
    flow: float | None
    tank: float | None


class Pump(Protocol):
    """The spray pump with its own flow measurement."""

    async def set(self, on: bool) -> None:
        """Switch the pump."""

    async def status(self) -> PumpStatus:
        """Ask for its state."""


@dataclass(frozen=True, slots=True)
class InputState:
    """Discrete and slow inputs of the rig; temperatures [K], True means the bad case.

    `local_button` is True while somebody at the rig presses the button or turns the key.
    """

    emergency_stop: bool = False
    guard_open: bool = False
    leak: bool = False
    oil_pressure_low: bool = False
    mains_lost: bool = False
    oil_temperature: float | None = None
    local_button: bool = False


class Inputs(Protocol):
    """Emergency stop, guard, leak, oil, mains, local button."""

    async def read(self) -> InputState:
        """Return the present state."""


class Horn(Protocol):
    """Horn or lamp that warns people before anything moves."""

    async def set(self, on: bool) -> None:
        """Switch the signal."""


class Switch(Protocol):
    """Something that is on or off, such as a relay that puts shunt resistors on bridges."""

    async def set(self, on: bool) -> None:
        """Switch it."""


Glance = Callable[[SampleBlock], bool]
"""A look at samples that have just arrived; True means that the valve must close now."""


class Post(Protocol):
    """Where samples are looked at the moment they arrive, before any block of them is read.

    A block that is read waits for its last frame and for whatever the program does meanwhile; a
    limit must not.
    """

    def stand(self, glance: Glance | None) -> None:
        """Show every batch of frames that arrives to `glance`, and close the valve where it says.

        It is called in the thread in which samples arrive, with the frames' own numbers, each
        frame once and in order, and with the channels that come from one device together. None
        ends it.
        """


@dataclass(frozen=True, slots=True)
class LineReport:
    """What is known of one line to a device.

    `who` is what the device says it is, "" while it has not answered. `good`, `bad` and
    `dropped` count frames or answers: those taken, those that did not fit, those that are missing.
    `round_trip` is from a question to its answer, median and longest [s]. `skew` [s] is how far
    the time of a value may be off the time of the samples, `drift` by how much faster the device's
    clock runs than the computer's (1e-6: a microsecond a second); None where there is none.
    `trouble` is what is wrong now, "" for nothing, `remedy` what to try.
    """

    port: str
    path: str
    kind: str
    who: str = ""
    good: int = 0
    bad: int = 0
    dropped: int = 0
    round_trip: tuple[float, float] | None = None
    skew: float | None = None
    drift: float | None = None
    trouble: str = ""
    remedy: str = ""


class Lines(Protocol):
    """The lines to the devices of a rig, for people."""

    def report(self) -> tuple[LineReport, ...]:
        """Return what is known of each line now."""

    def told(self) -> tuple[str, ...]:
        """Return what has happened on the lines since this was asked last, one text each."""


def _all_of_it() -> float:
    """Command amplitudes as they are wanted."""
    return 1.0


@dataclass(frozen=True, slots=True)
class Rig:
    """All devices of one rig.

    `emulated` tells that every device answered that it is emulated: nothing real can move. `post`
    and `lines` are there where devices are at the end of lines; `closing` ends threads and ports.
    `shift` adds to what a sampled channel reads [SI] from the next sample on: a sensor was moved.
    `share` tells which share of an amplitude is to be commanded before any cycle was corrected.
    """

    actuator: Actuator
    acquisition: Acquisition
    pump: Pump | None
    inputs: Inputs
    emulated: bool
    horn: Horn | None = None
    shunt: Switch | None = None
    post: Post | None = None
    lines: Lines | None = None
    closing: Callable[[], Awaitable[None]] | None = None
    shift: Callable[[str, float], None] | None = None
    share: Callable[[], float] = _all_of_it
