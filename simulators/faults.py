"""Accidents that a simulated rig can be told to have, at fixed frames."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rig.ports import InputState

Device = Literal["actuator", "pump", "inputs", "horn", "slow"]
"""Devices that can be lost each by itself; "slow" are the slow channels of the acquisition."""


@dataclass(frozen=True, slots=True)
class Missing:
    """No valid sample of a channel in frames [begin, end): a cable pulled, a plug corroded."""

    channel: str
    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Flat:
    """A channel stuck in frames [begin, end): a jammed transducer rod, a frozen converter.

    It shows `value` [SI], such as 0.0 of a load cell that lost its supply, or with None the
    sample at `begin`.
    """

    channel: str
    begin: int
    end: int
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Spike:
    """One false sample, `size` [SI] too large: a contactor or a welder beside the cable."""

    channel: str
    frame: int
    size: float


@dataclass(frozen=True, slots=True)
class Moved:
    """A channel shows `by` [SI] more from `frame` on: a sensor knocked, its magnet foot slipped."""

    channel: str
    frame: int
    by: float


@dataclass(frozen=True, slots=True)
class Drifting:
    """A channel shows more and more in frames [begin, end), by `rate` [SI/s]; it keeps the rest.

    A load cell that warms or whose gauges come loose, a charge amplifier.
    """

    channel: str
    begin: int
    end: int
    rate: float


@dataclass(frozen=True, slots=True)
class Scaled:
    """A channel shows `factor` times its value in frames [begin, end).

    A wrong range, half a bridge gone, or with -1 two wires changed over: the sign is wrong.
    """

    channel: str
    begin: int
    end: int
    factor: float = -1.0


@dataclass(frozen=True, slots=True)
class Saturated:
    """A channel stands at the end of its range in frames [begin, end): a wire of its bridge broke.

    At the upper end, or with `low` at the lower one.
    """

    channel: str
    begin: int
    end: int
    low: bool = False


@dataclass(frozen=True, slots=True)
class Foreign:
    """A channel shows what another frame does in frames [begin, end): its plug was changed over.

    There a load swings by `amplitude` [SI] about `mean` at a `frequency` [Hz].
    """

    channel: str
    begin: int
    end: int
    mean: float
    amplitude: float
    frequency: float


@dataclass(frozen=True, slots=True)
class InLoop:
    """The sensor itself is at fault: what it shows is what the controller closes its loop on.

    Without it only the samples are spoiled, as by an amplifier of the acquisition's own. Of a load
    cell the controller then moves the rod until the cell shows what was commanded, or for ever.
    """

    fault: SensorFault


@dataclass(frozen=True, slots=True)
class NoFlow:
    """The pump runs but no water comes in frames [begin, end): clogged nozzle, airlock."""

    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class InputChange:
    """The inputs read `state` from `frame` on: somebody hits the emergency stop, a hose leaks."""

    frame: int
    state: InputState


@dataclass(frozen=True, slots=True)
class Silent:
    """The acquisition sends nothing in frames [begin, end): it hangs, its line is unplugged.

    The samples are lost: NaN in every channel. A paced rig does not answer a read of them
    before `end`.
    """

    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Late:
    """Samples from frame `begin` on are held up once for `seconds`: a line that buffers.

    None is lost; what piled up comes at once. Without pacing nothing of it shows.
    """

    begin: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Lost:
    """A device does not answer in frames [begin, end): its plug is out, its fuse has blown.

    Whatever is asked of it raises DeviceError and does not reach it; `acts` names the methods
    concerned, none means all. A device that `hangs` raises nothing: where the rig is paced, the
    answer comes at `end`, as when a line buffers; without pacing it never comes.
    """

    device: Device
    begin: int
    end: int
    acts: tuple[str, ...] = ()
    hangs: bool = False


@dataclass(frozen=True, slots=True)
class Stuck:
    """What is told takes no effect in frames [begin, end), and is answered as if it did.

    "pressure" stays as it is: a jammed main valve. The "pump" stays on or off: a welded contact.
    "motion" does not begin or change: a spool that sticks; a ramp says for ever that it moves.
    "heartbeat" does not arrive: a gateway that answers for the controller.
    """

    what: Literal["pressure", "pump", "motion", "heartbeat"]
    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Restarted:
    """The controller starts anew at `frame`: its supply dropped out, somebody switched it.

    Pressure off, valve closed, its limits forgotten, its counter at 0.
    """

    frame: int


@dataclass(frozen=True, slots=True)
class Miscounted:
    """The controller's counter jumps at `frame` by so many cycles: a count lost or set by hand."""

    frame: int
    by: int


@dataclass(frozen=True, slots=True)
class Weak:
    """Cycling reaches `share` of its amplitude in frames [begin, end): oil short, a worn pump."""

    begin: int
    end: int
    share: float


SensorFault = Flat | Moved | Drifting | Scaled | Saturated | Foreign
"""What a sensor of the servo loop can have; each begins at a frame."""

Fault = (
    Missing
    | Spike
    | SensorFault
    | InLoop
    | NoFlow
    | InputChange
    | Silent
    | Late
    | Lost
    | Stuck
    | Restarted
    | Miscounted
    | Weak
)
