"""What is done to a channel's samples, on top of what its sensor shows; see `faults` for more.

Amounts are of the channel's unit [SI], `begin` and `end` frames [begin, end).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Noisy:
    """More noise, of a standard `deviation`: a broken screen, a wet plug."""

    channel: str
    begin: int
    end: int
    deviation: float


@dataclass(frozen=True, slots=True)
class Shifted:
    """Shows `by` more, as long as it lasts: leakage across wet pins."""

    channel: str
    begin: int
    end: int
    by: float


@dataclass(frozen=True, slots=True)
class Spiking:
    """One false sample in each `every` frames, off by about `by` up or down: contactors, arcs."""

    channel: str
    begin: int
    end: int
    every: int
    by: float


@dataclass(frozen=True, slots=True)
class Hum:
    """The mains are heard: a sine of `frequency` [Hz] and `amplitude`: a loop of earths."""

    channel: str
    begin: int
    end: int
    frequency: float
    amplitude: float


@dataclass(frozen=True, slots=True)
class Gaps:
    """Once in each `every` frames up to `longest` samples are missing: a loose pin."""

    channel: str
    begin: int
    end: int
    every: int
    longest: int


@dataclass(frozen=True, slots=True)
class Slipping:
    """Slips by `by` once in about `every` cycles, while the specimen is cycled: a loose clamp.

    From `begin` on, each time by half as much to half as much more.
    """

    channel: str
    begin: int
    every: float
    by: float


@dataclass(frozen=True, slots=True)
class OutOfTravel:
    """Shows nothing beyond `most`: a transducer set up too near the end of its travel."""

    channel: str
    begin: int
    end: int
    most: float


@dataclass(frozen=True, slots=True)
class Leaning:
    """Shows a swelling up to `by` and back: somebody leans on the frame."""

    channel: str
    begin: int
    end: int
    by: float


Spoiled = Noisy | Shifted | Spiking | Hum | Gaps | Slipping | OutOfTravel | Leaning
