"""What the files say once they are read and checked: plain values in SI.

A `Plan` is all that one needs of a protocol, a `RigPlan` of a rig file, a `Specimen` of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from rig.channels import Channel
from rig.mechanics.specimen import Specimen
from rig.protocol.air import Air
from rig.protocol.trust import Accuracy, Trust

if TYPE_CHECKING:
    # Few rigs have them: reading the file of another rig starts without.
    from rig.protocol.lab import Messages
    from rig.protocol.wire import Wire

Bounds = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Loading:
    """Cyclic load: capacity, upper and lower load [N], frequency [Hz]."""

    capacity: float
    capacity_source: str
    upper: float
    lower: float
    frequency: float
    waveform: str = "sine"

    @property
    def mean(self) -> float:
        """Mean load [N]."""
        return (self.upper + self.lower) / 2

    @property
    def range(self) -> float:
        """Load range [N]."""
        return self.upper - self.lower


@dataclass(frozen=True, slots=True)
class Approach:
    """Stroke control at `speed` [m/s] until `contact` [N]; given up after `give_up_after` [m].

    At contact the load is held for `settle` [s] before the seating cycles.
    """

    name: str
    contact: float
    speed: float
    give_up_after: float
    settle: float = 60.0


@dataclass(frozen=True, slots=True)
class Static:
    """Slow cycles to `to` [N], `repeats` times, held for `hold` [s] at the top.

    With control "deflection" `speed` and `speed_after_crack` are [m/s]; with control "load"
    `speed` is [N/s] and `speed_after_crack` equals it.
    """

    name: str
    control: str
    to: float
    speed: float
    speed_after_crack: float
    hold: float
    repeats: int


@dataclass(frozen=True, slots=True)
class Ramp:
    """One slow loading: to a load `to` [N], or until "ultimate" (`to` is then None).

    `speed` is [m/s] with control "deflection", [N/s] with control "load".
    """

    name: str
    control: str
    speed: float
    to: float | None
    until: str | None


@dataclass(frozen=True, slots=True)
class Cyclic:
    """Cycles at `Loading`, growing over `build_up` cycles, at most to `run_out` counted ones."""

    name: str
    build_up: int
    run_out: int


@dataclass(frozen=True, slots=True)
class Hold:
    """Stay at a load `at` [N] for `duration` [s]."""

    name: str
    at: float
    duration: float


Stage = Approach | Static | Ramp | Cyclic | Hold


@dataclass(frozen=True, slots=True)
class SpraySchedule:
    """When water runs. `begin_unit` and `period_unit` are "cycles" or "s".

    `on` and `every` are in `period_unit`; `continuous` means always on after `begin`. Flow
    [m3/s] within `tolerance` (a fraction) confirms it. A period whose `retries`, `retry_every`
    [s] apart, fail is missed; after two missed in a row comes `then` ("pause" or "stop").
    `faces` names what the nozzles are aimed at.
    """

    begin: float
    begin_unit: str
    on: float
    every: float
    period_unit: str
    continuous: bool
    flow: float
    tolerance: float
    retries: int
    retry_every: float
    then: str
    on_pause: str
    on_stop: str
    faces: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StaticCheck:
    """Slow cycles at an inspection: to a load [N], rate [N/s], hold [s]."""

    to: float
    rate: float
    hold: float
    repeats: int


@dataclass(frozen=True, slots=True)
class Inspections:
    """Counts at which cycling pauses; `go_on_after` [s] is None for "never".

    With `zero` the specimen is unloaded and lifted off, and the zero of each channel is read.
    """

    at: tuple[int, ...]
    then_every: int | None
    static_check: StaticCheck | None
    map_cracks: bool
    go_on_after: float | None
    zero: bool = False

    def next_after(self, cycle: int) -> int | None:
        """Return the first inspection count above `cycle`, or None."""
        for count in self.at:
            if count > cycle:
                return count
        if self.then_every is None:
            return None
        return (cycle // self.then_every + 1) * self.then_every


@dataclass(frozen=True, slots=True)
class Baseline:
    """The counted cycles [first, last] whose medians are the baseline."""

    first: int = 2000
    last: int = 3000


@dataclass(frozen=True, slots=True)
class StiffnessLoss:
    """Loss against the baseline, fractions; judged on the median of `confirm` cycles."""

    stop: float
    confirm: int
    warn: float | None = None


@dataclass(frozen=True, slots=True)
class StiffnessStep:
    """A drop of `pause` (fraction) within `within` cycles."""

    pause: float
    within: int


@dataclass(frozen=True, slots=True)
class LoadShort:
    """Upper load short by `stop` (fraction) in `confirm` cycles in a row."""

    stop: float
    confirm: int


@dataclass(frozen=True, slots=True)
class Failure:
    """The criteria a protocol arms; None: not armed. Those of `alert_only` only tell, by key."""

    stiffness_loss: StiffnessLoss | None = None
    stiffness_step: StiffnessStep | None = None
    residual_growth: float | None = None
    load_short: LoadShort | None = None
    alert_only: frozenset[str] = frozenset()

    @property
    def armed(self) -> bool:
        """Tell whether at least one criterion can end the test."""
        return any((self.stiffness_loss, self.stiffness_step, self.load_short))


@dataclass(frozen=True, slots=True)
class LearnedLimits:
    """Limits armed after the baseline, re-armed at each stage; fractions, [m]; None: not armed.

    `load_low` of the lower load, `load_high` of the upper load, `deflection` of the settled
    maximum, `stroke_beyond` [m] beyond the settled stroke and what that deflection allows.
    """

    load_low: float | None = None
    load_high: float | None = None
    deflection: float | None = None
    stroke_beyond: float | None = None

    @property
    def armed(self) -> bool:
        """Tell whether any is to be learned."""
        limits = (self.load_low, self.load_high, self.deflection, self.stroke_beyond)
        return any(limit is not None for limit in limits)


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds [SI] by channel name (net deflection is "deflection"), and how long they persist.

    `residual` are those of the static test after a run-out, in place of the `fixed` ones.
    """

    fixed: Mapping[str, Bounds] = field(default_factory=dict)
    learned: LearnedLimits = field(default_factory=LearnedLimits)
    persist: int = 3
    residual: Mapping[str, Bounds] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class FullRate:
    """Which stretches are kept sample by sample: [cycles], per decade, [s] about a stop."""

    first: int = 0
    per_decade: int = 0
    cycles: int = 5
    before_stop: float = 60.0
    after_stop: float = 10.0


@dataclass(frozen=True, slots=True)
class Pauses:
    """A pause stands at lower load for `unload_after` [s]; then the specimen is unloaded."""

    unload_after: float = 1800.0


@dataclass(frozen=True, slots=True)
class Attendance:
    """After each start somebody must have looked by these test times [s] and counted cycles.

    Both are counted from the start; a window that nobody acknowledged ends in a pause.
    """

    times: tuple[float, ...] = ()
    cycles: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Hours:
    """Hours of the day as minutes after midnight in `zone` (an IANA name, "" the computer's).

    In `quiet` hours, and at weekends where `quiet_weekend`, nothing is resumed. An inspection
    due outside `working` hours (Monday to Friday) is pulled forward into them by at most
    `pull_forward` of its count.
    """

    zone: str = ""
    quiet: tuple[int, int] | None = None
    quiet_weekend: bool = False
    working: tuple[int, int] | None = None
    pull_forward: float = 0.10


@dataclass(frozen=True, slots=True)
class ActuatorPlan:
    """The actuator of a rig file: ranges [N, m], speed [m/s], highest frequency [Hz]."""

    load: Bounds
    stroke: Bounds
    speed: float
    frequency: float
    limits: str  # "controller" or "software only"


@dataclass(frozen=True, slots=True)
class PumpPlan:
    """The spray pump: nominal flow [m3/s], tank [m3], what fills it meanwhile [m3/s]."""

    flow: float
    tank: float
    make_up: float = 0.0


@dataclass(frozen=True, slots=True)
class WarningSignal:
    """What warns people before motion: "horn" or "lamp", on for `before` [s]."""

    kind: str
    before: float


@dataclass(frozen=True, slots=True)
class RigPlan:
    """A rig file. `simulation` is the hidden truth of a simulated rig, SI and plain values.

    `local_input` is what a person at the rig operates to allow motion: "button", "key", or "".
    `wire` is what the serial drivers know of ports and devices, `settings` what the rig file says
    to another driver. `trust` holds calibrations and proofs, `messages` who hears of its runs.
    """

    name: str
    driver: str
    rate: float
    channels: tuple[Channel, ...]
    actuator: ActuatorPlan
    pump: PumpPlan | None
    limits: Mapping[str, Bounds]
    stops: Mapping[str, int]
    simulation: Mapping[str, float | str]
    warning: WarningSignal | None = None
    local_input: str = ""
    wire: Wire | None = None
    settings: Mapping[str, str | float | bool] = field(default_factory=dict)
    trust: Trust = field(default_factory=Trust)
    messages: Messages | None = None

    @property
    def sampled(self) -> tuple[Channel, ...]:
        """Channels that come with every frame."""
        return tuple(c for c in self.channels if not c.slow)


@dataclass(frozen=True, slots=True)
class Plan:
    """A protocol, read and checked, with the rig and specimen it was checked against.

    `texts` holds the files as written: "protocol", "rig", "specimen", and "series" where the
    capacity comes from one. `air` is there for an air run alone. `accepted` says what is doubtful
    about the rig, and by whom. `companions` are lives [cycles], `softening` rates of others.
    """

    title: str
    specimen_id: str
    exposure: str
    specimen: Specimen
    rig: RigPlan
    loading: Loading | None
    stages: tuple[Stage, ...]
    spray: SpraySchedule | None
    inspections: Inspections | None
    baseline: Baseline
    failure: Failure
    limits: Limits
    full_rate: FullRate
    texts: Mapping[str, str]
    warnings: tuple[str, ...] = ()
    pauses: Pauses = field(default_factory=Pauses)
    attendance: Attendance | None = None
    hours: Hours = field(default_factory=Hours)
    accuracy: Accuracy = field(default_factory=Accuracy)
    air: Air | None = None
    accepted: tuple[str, ...] = ()
    companions: tuple[float, ...] = ()
    softening: tuple[tuple[float, float], ...] = ()

    @property
    def cyclic(self) -> Cyclic | None:
        """The first cyclic stage, or None."""
        return next((s for s in self.stages if isinstance(s, Cyclic)), None)

    @property
    def upper(self) -> float | None:
        """Upper load [N] or None for a test without `[loading]`."""
        return self.loading.upper if self.loading else None
