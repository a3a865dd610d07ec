"""What a run shows of itself: one snapshot, kept in the journal, replaced by the next one.

Whoever shows a run (terminal, messages) draws from it and from the rows; nothing else of the
program depends on it. Times are test times [s], values SI; NaN or None where there is nothing.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from rig.record.plain import special

NAN = math.nan


@dataclass(frozen=True, slots=True)
class Coming:
    """Something that will happen by itself: what, in how long [s], at which counted cycle.

    `within` is None where nobody can tell.
    """

    what: str
    within: float | None = None
    cycle: int | None = None


@dataclass(frozen=True, slots=True)
class Armed:
    """A limit that is armed on a channel [SI], an open side infinite.

    `least` and `most` are the extremes of the channel in the last second or so; `learned` tells
    that a bound was learned from the settled specimen.
    """

    channel: str
    low: float
    high: float
    least: float
    most: float
    learned: bool = False


@dataclass(frozen=True, slots=True)
class WaterStatus:
    """The water: asked for and seen, flows [m3/s], tank [m3].

    `doing` is in words; `tank_lasts` is how long [s] the tank feeds the schedule from now on;
    `missed` counts missed periods in a row, `dry_for` [s] how long it has been dry.
    """

    doing: str
    on: bool
    confirmed: bool
    missed: int
    flow: float
    asked_flow: float
    tank: float
    tank_lasts: float
    dry_for: float
    coming: Coming | None = None


@dataclass(frozen=True, slots=True)
class Status:
    """A run as it stood at one moment.

    `stamp` is when it was taken, `calendar` what the test's own calendar said then (the same
    but in a rehearsal), both ISO 8601 in UTC. `state` was entered at test time `since` on
    `cause` and `why`; `means` says in words what the rig does in it. Extremes and stiffness are
    those of the newest whole cycle. `loss_warn` and `loss_stop` are fractions of the baseline.
    `coming` is in the order in which it comes. `asks` says what the run waits for people to do,
    `troubles` what is not as it should be; `possible` is what may be asked for now.
    """

    stamp: str
    calendar: str
    time: float
    live: bool
    state: str
    means: str
    cause: str
    why: str
    since: float
    rig: str
    stage: str
    stage_number: int
    stages: int
    cycles: int
    run_out: int
    frequency: float
    load: float
    deflection: float
    target_upper: float = NAN
    target_lower: float = NAN
    load_max: float = NAN
    load_min: float = NAN
    deflection_max: float = NAN
    deflection_min: float = NAN
    stiffness: float = NAN
    baseline: float = NAN
    baseline_first: int = 0
    baseline_last: int = 0
    loss_warn: float = NAN
    loss_stop: float = NAN
    limits: tuple[Armed, ...] = ()
    coming: tuple[Coming, ...] = ()
    water: WaterStatus | None = None
    slow: Mapping[str, float] = field(default_factory=dict)
    oil_temperature: float = NAN
    inputs: tuple[str, ...] = ()
    troubles: tuple[str, ...] = ()
    asks: str = ""
    on_call: str = ""
    possible: tuple[str, ...] = ()
    local_input: str = ""

    def to_json(self) -> str:
        """Return the status as one line of JSON (with NaN and Infinity, as Python writes them)."""
        return json.dumps(asdict(self), ensure_ascii=False, default=special)

    @staticmethod
    def from_json(text: str) -> Status:
        """Return the status that `to_json` wrote."""
        told: dict[str, Any] = json.loads(text)
        water = told.pop("water")
        if water is not None:
            coming = water.pop("coming")
            water = WaterStatus(**water, coming=Coming(**coming) if coming else None)
        lists: dict[str, Any] = {key: tuple(told.pop(key)) for key in ("inputs", "troubles", "possible")}
        return Status(
            limits=tuple(Armed(**a) for a in told.pop("limits")),
            coming=tuple(Coming(**c) for c in told.pop("coming")),
            water=water,
            **lists,
            **told,
        )
