"""What a rig file says of why its figures can be trusted: plain values in SI.

Calibrations of channels, what moves between load cell and specimen, the oil supply, and what was
found when the rig was verified and its stops were proven.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date as Date  # noqa: N812 - a field of that name would hide it

Bounds = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Calibration:
    """How a channel was calibrated.

    `points` are pairs of what the channel showed and what was true [SI], shown values rising; ()
    where it shows what is true. `serial` is the number on the sensor, "" where the file has none.
    `uncertainty` [SI] is expanded, with a coverage factor of 2, `used`
    the range [SI] for which it was found. It holds to the end of the day `until`. With its shunt
    resistor on the channel shows `shunt` [SI] more, within a fraction `shunt_tolerance`; None
    where it has none.
    """

    date: Date
    until: Date
    certificate: str
    uncertainty: float
    used: Bounds
    points: tuple[tuple[float, float], ...] = ()
    shunt: float | None = None
    shunt_tolerance: float = 0.005
    serial: str = ""


@dataclass(frozen=True, slots=True)
class Frame:
    """What hangs between load cell and specimen.

    `moving_mass` [kg] moves with the rod between the cell and the specimen. With `cell` "moving"
    the cell sits above that mass, and shows the specimen's load and what accelerates the mass; with
    "fixed" it stands under the specimen, and lacks it. `dead_load` [N] of spreader and rollers
    rests on the specimen; the cell was set to zero while they were `zeroed` "hanging" (it shows
    them once they rest on the specimen) or "resting" (it never does).
    """

    moving_mass: float = 0.0
    cell: str = "moving"
    dead_load: float = 0.0
    zeroed: str = "hanging"


@dataclass(frozen=True, slots=True)
class Supply:
    """The oil: piston area [m2], pressure [Pa], flow of the pump and what others take of it [m3/s].

    The servo valve passes `valve_flow` [m3/s] at a pressure drop of `valve_drop` [Pa].
    """

    piston_area: float
    pressure: float
    flow: float
    others: float = 0.0
    valve_flow: float | None = None
    valve_drop: float = 7e6


@dataclass(frozen=True, slots=True)
class DynamicVerification:
    """Load range by the cell against that of a gauged dummy beam, found on a day.

    `difference` is a fraction of the range, at frequencies up to `frequency` [Hz].
    """

    date: Date
    by: str
    frequency: float
    difference: float


@dataclass(frozen=True, slots=True)
class ProvenStop:
    """One row of a proof of stopping: the longest time [s] and travel [m] of so many repeats."""

    cause: str
    time: float
    travel: float
    repeats: int


@dataclass(frozen=True, slots=True)
class ProofOfStopping:
    """When and by whom the stops of the rig were proven; it is to be renewed after so many days."""

    date: Date
    by: str
    renew_after: int
    rows: tuple[ProvenStop, ...]


@dataclass(frozen=True, slots=True)
class Trust:
    """All of it; `calibrations` by channel."""

    calibrations: dict[str, Calibration] = field(default_factory=dict)
    frame: Frame = field(default_factory=Frame)
    supply: Supply | None = None
    verified: DynamicVerification | None = None
    proven: ProofOfStopping | None = None


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What a protocol asks for: errors of load and deflection range as fractions of the range."""

    load: float = 0.01
    deflection: float = 0.01
