"""The shape of a protocol file: tables, keys, units and the range of each field."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from rig.protocol.fields import (
    FORCE_MOST,
    Amount,
    Capacity,
    Duration,
    Flow,
    Force,
    ForceRate,
    Frequency,
    Growth,
    Name,
    Share,
    Table,
    Text,
    Wait,
    amount,
    count,
    quantity,
    whole,
)
from rig.protocol.people_tables import AttendanceTable, HoursTable, PausesTable

_FORCE = (0.0, FORCE_MOST, "kN")
_SPEED = (1e-8, 0.01, "mm/s")
_FORCE_RATE = (1.0, 1e5, "kN/s")
_SCHEDULE = {"cycles": (1.0, 1e9, "cycles"), "time": (1.0, 60 * 86400.0, "min")}

Level = Annotated[
    Amount,
    amount(
        {"force": _FORCE, "fraction": (0.0, 10.0, "%")},
        remedy='a force such as "92 kN" or a percentage of capacity such as "70 %"',
    ),
]
Target = Annotated[Amount, amount({"force": _FORCE}, words=("upper", "lower"))]
StageSpeed = Annotated[Amount, amount({"speed": _SPEED, "force rate": _FORCE_RATE})]


class LoadingTable(Table):
    """`[loading]`."""

    control: Literal["load"] = "load"
    capacity: Capacity | None = None
    capacity_from: Text | None = None
    upper: Level
    lower: Level
    frequency: Frequency
    waveform: Literal["sine"] = "sine"


class ApproachTable(Table):
    """A stage that looks for contact."""

    name: Name
    kind: Literal["approach"]
    contact: Force
    speed: Annotated[float, quantity("speed", 1e-6, 5e-4, "mm/s")]
    give_up_after: Annotated[float, quantity("length", 1e-4, 0.1, "mm")]
    settle: Annotated[float, quantity("time", 0.0, 3600.0, "s")] = 60.0


class StaticTable(Table):
    """A stage of slow cycles."""

    name: Name
    kind: Literal["static"]
    control: Literal["deflection", "load"]
    to: Target
    speed: StageSpeed
    speed_after_crack: StageSpeed | None = None
    hold: Duration = 0.0
    repeats: Annotated[int, whole(1, 100)] = 1


class RampTable(Table):
    """A stage that loads once."""

    name: Name
    kind: Literal["ramp"]
    control: Literal["deflection", "load"]
    speed: StageSpeed
    to: Target | None = None
    until: Literal["ultimate"] | None = None


class CyclicTable(Table):
    """A stage of fatigue cycles."""

    name: Name
    kind: Literal["cyclic"]
    build_up: Annotated[int, count(1, 100_000)]
    run_out: Annotated[int, count(1)]


class HoldTable(Table):
    """A stage that waits under load."""

    name: Name
    kind: Literal["hold"]
    at: Annotated[Amount, amount({"force": _FORCE}, words=("upper", "lower", "mean"))]
    duration: Wait


StageTable = Annotated[
    ApproachTable | StaticTable | RampTable | CyclicTable | HoldTable,
    Field(discriminator="kind"),
]


class UnconfirmedTable(Table):
    """What happens when no flow is seen."""

    retries: Annotated[int, whole(0, 10)]
    every: Annotated[float, quantity("time", 1.0, 3600.0, "min")]
    then: Literal["pause", "stop"]


def _usual_retries() -> UnconfirmedTable:
    return UnconfirmedTable.model_validate({"retries": 2, "every": "1 min", "then": "pause"})


class SprayTable(Table):
    """`[spray]`."""

    begin: Annotated[
        Amount, amount({"cycles": (0.0, 1e9, "cycles"), "time": (0.0, 60 * 86400.0, "min")})
    ]
    on: Annotated[Amount, amount(_SCHEDULE)] | None = None
    every: Annotated[Amount, amount(_SCHEDULE)] | None = None
    continuous: bool = False
    flow: Flow
    tolerance: Annotated[float, quantity("fraction", 0.01, 0.9, "%")] = 0.15
    if_unconfirmed: UnconfirmedTable = Field(default_factory=_usual_retries)
    on_pause: Literal["keep", "off"] = "keep"
    on_stop: Literal["keep", "off"] = "off"
    faces: list[Name] = Field(default_factory=list, max_length=20)


class StaticCheckTable(Table):
    """Slow cycles at an inspection."""

    to: Target
    rate: ForceRate
    repeats: Annotated[int, whole(1, 20)] = 2
    hold: Annotated[float, quantity("time", 0.0, 3600.0, "s")] = 10.0


class InspectionsTable(Table):
    """`[inspections]`."""

    at: list[Annotated[int, count()]] = Field(default_factory=list, max_length=1000)
    then_every: Annotated[int, count(100)] | None = None
    static_check: StaticCheckTable | None = None
    map_cracks: Literal["ask", "no"] = "no"
    go_on_after: Annotated[Amount, amount({"time": (1.0, 7 * 86400.0, "min")}, words=("never",))]
    zero: bool = False


class BaselineTable(Table):
    """`[baseline]`."""

    first: Annotated[int, count(1, 10**8)] = Field(default=2000, alias="from")
    last: Annotated[int, count(1, 10**8)] = Field(default=3000, alias="to")


class LossTable(Table):
    """Stiffness loss against the baseline."""

    warn: Share | None = None
    stop: Annotated[float, quantity("fraction", 0.01, 0.95, "%")]
    confirm: Annotated[int, count(1, 100_000)]


class StepTable(Table):
    """A sudden drop of stiffness."""

    pause: Annotated[float, quantity("fraction", 0.005, 0.95, "%")]
    within: Annotated[int, count(1, 10_000)]


class ResidualTable(Table):
    """Growth of the deflection that stays."""

    warn: Growth


class ShortTable(Table):
    """Upper load not reached."""

    stop: Annotated[float, quantity("fraction", 0.01, 0.5, "%")]
    confirm: Annotated[int, count(1, 10_000)]


Criterion = Literal["stiffness_loss", "stiffness_step", "residual_growth", "load_short"]


class FailureTable(Table):
    """`[failure]`."""

    stiffness_loss: LossTable | None = None
    stiffness_step: StepTable | None = None
    residual_growth: ResidualTable | None = None
    load_short: ShortTable | None = None
    alert_only: list[Criterion] = Field(default_factory=list, max_length=4)


class FullRateTable(Table):
    """`[full_rate]`."""

    first: Annotated[int, count(0, 1_000_000)] = 0
    per_decade: Annotated[int, whole(0, 1000)] = 0
    cycles: Annotated[int, whole(1, 1000)] = 5
    before_stop: Annotated[float, quantity("time", 0.0, 3600.0, "s")] = 60.0
    after_stop: Annotated[float, quantity("time", 0.0, 3600.0, "s")] = 10.0


class AccuracyTable(Table):
    """`[accuracy]`: errors that are accepted, as fractions of the range of a cycle."""

    load: Annotated[float, quantity("fraction", 1e-4, 0.2, "%")] = 0.01
    deflection: Annotated[float, quantity("fraction", 1e-4, 0.2, "%")] = 0.01


class ProtocolFile(Table):
    """A whole protocol; what a section may say beside another is checked after this."""

    what = "protocol"
    required = ("title", "specimen", "specimen_id", "exposure", "stage")

    title: Text = ""
    specimen: Text = ""
    specimen_id: Name = ""
    exposure: Literal["dry", "spray", "submerged"] | None = None
    loading: LoadingTable | None = None
    stage: list[StageTable | None] = Field(default_factory=list, min_length=1, max_length=100)
    spray: SprayTable | None = None
    inspections: InspectionsTable | None = None
    baseline: BaselineTable | None = None
    failure: FailureTable | None = None
    limits: dict[str, Any] | None = None
    full_rate: FullRateTable | None = None
    pauses: PausesTable | None = None
    attendance: AttendanceTable | None = None
    hours: HoursTable | None = None
    accuracy: AccuracyTable | None = None
