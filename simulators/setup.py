"""What a simulated rig and the specimen in it are: the hidden truth of a rehearsal.

Every default here is invented for the demonstration and measured on nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from rig.channels import Channel
from rig.mechanics.estimate import StaticEstimate
from rig.ports import ActuatorRange
from rig.samples import FloatArray
from simulators.disturbances import Disturbance
from simulators.faults import Fault
from simulators.recorded import RecordedSpecimen
from simulators.spoiled import Spoiled
from simulators.wear_tables import WearTables


@dataclass(frozen=True, slots=True)
class SpecimenTruth:
    """How the specimen behaves: total actuator load [N] over net mid-span deflection [m].

    0 <= decompression < cracking < yield < ultimate load; both stiffnesses [N/m].
    """

    stiffness: float
    cracked_stiffness: float
    decompression_load: float
    cracking_load: float
    yield_load: float
    ultimate_load: float
    ultimate_deflection: float
    span: float


def truth_of(estimate: StaticEstimate) -> SpecimenTruth:
    """Let the specimen behave exactly as mechanics expects."""
    return SpecimenTruth(
        stiffness=estimate.stiffness,
        cracked_stiffness=estimate.cracked_stiffness,
        decompression_load=estimate.decompression_load,
        cracking_load=estimate.cracking_load,
        yield_load=estimate.yield_load,
        ultimate_load=estimate.ultimate_load,
        ultimate_deflection=estimate.ultimate_deflection,
        span=estimate.span,
    )


@dataclass(frozen=True, slots=True, eq=False)
class CrackTable:
    """How far a crack opens [m]: `openings` of shape (lengths, loads).

    `lengths` [m] without bond, the first one none, and `loads` [N] rise; `upper` is the upper one.
    """

    upper: float
    lengths: FloatArray
    loads: FloatArray
    openings: FloatArray


@dataclass(frozen=True, slots=True)
class SimulationSetup:
    """One simulated rig [SI].

    `load_level` is upper load over capacity and `upper_load` the upper load [N] it belongs to, with
    `lower_load` (0 for a test that does not cycle). `tables` say how cycles between its loads wear
    it; without them nothing does. Its crack opens as the table of `cracks` says, without one as it
    deflects. Lives as mechanics has them are multiplied by `life_scale`; `life_dry` makes the
    median one dry so many cycles instead. `scatter` is the standard deviation of log10 of lives; in
    water bond is lost `wet_factor` times as fast. `gap` [m] of stroke before contact, `bedding` [m]
    consumed by the first few hundred cycles, `creep` as a fraction of the deflection per decade of
    time.
    `servo_bandwidth` [Hz], `pump_flow` [m3/s], `tank` [m3], `pump_run_up` [s]. `watchdog` is the
    device time [s] without a heartbeat after which a moving actuator stops by itself. Where a
    specimen is `recorded`, that one is in the rig and nothing here tells how it behaves.
    `moving_mass` [kg] moves between specimen and load cell, which sits above it ("moving") or
    under the specimen ("fixed"). `points` are pairs of what a channel shows and what is true [SI],
    by channel; the controller shows and obeys the same. `faults` happen at once, `disturbances` by
    and by, and channels are `spoiled`.
    """

    rate: float
    channels: tuple[Channel, ...]
    actuator: ActuatorRange
    truth: SpecimenTruth
    exposure: Literal["dry", "spray", "submerged"] = "dry"
    load_level: float = 0.70
    upper_load: float = 0.0
    lower_load: float = 0.0
    pump_flow: float = 2.5e-5
    tank: float = 1.0
    pump_run_up: float = 3.0
    servo_bandwidth: float = 18.0
    gap: float = 2e-3
    bedding: float = 5e-5
    tables: WearTables | None = None
    cracks: CrackTable | None = None
    life_dry: float | None = None
    life_scale: float = 1.0
    wet_factor: float = 180.0
    scatter: float = 0.15
    ending: Literal["gradual", "brittle"] = "gradual"
    creep: float = 0.01
    faults: tuple[Fault, ...] = ()
    disturbances: tuple[Disturbance, ...] = ()
    spoiled: tuple[Spoiled, ...] = ()
    watchdog: float = 0.5
    recorded: RecordedSpecimen | None = None
    moving_mass: float = 0.0
    cell: str = "moving"
    points: Mapping[str, tuple[tuple[float, float], ...]] = field(default_factory=dict)

    @property
    def pull(self) -> float:
        """Moving mass [kg] whose inertia the load cell shows; negative where it lacks it."""
        return self.moving_mass if self.cell == "moving" else -self.moving_mass
