"""Accidents that a simulated rig can be told to have, at fixed frames."""

from __future__ import annotations

from dataclasses import dataclass

from rig.ports import InputState


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


Fault = Missing | Flat | Spike | NoFlow | InputChange | Silent | Late
