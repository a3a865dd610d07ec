"""What a run shows of itself: one snapshot, kept in the journal, replaced by the next one.

Whoever shows a run (terminal, messages) draws from it and from the rows; nothing else of the
program depends on it. Times are test times [s], values SI; NaN or None where there is nothing.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, is_dataclass, replace
from functools import cache
from types import UnionType
from typing import Any, Final, get_args, get_origin, get_type_hints

from rig.record.plain import special

NAN = math.nan
MOVES: Final = "it moves: stay out"
"""What comes where the rig is about to move: whoever shows a run looks for it."""
BREAKS: Final = "one slow loading until it breaks"
"""What a rig does that breaks its specimen; whoever shows a run keeps people away meanwhile."""
BEGINS: Final = "spraying begins"
WATER_ON: Final = "water on"
WATER_OFF: Final = "water off"
AGAIN: Final = "water is tried again"
"""What comes of the water next."""


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
class Foreseen:
    """When the specimen is expected to fail, with 80 %, or `why` nothing is foretold.

    Counted cycles; in how long [s] at the soonest and at the latest, NaN where nobody can tell.
    `waits` tells that inspections on the way wait for people, for nobody knows how long.
    """

    low: float = NAN
    median: float = NAN
    high: float = NAN
    soonest: float = NAN
    latest: float = NAN
    waits: bool = False
    why: str = ""


@dataclass(frozen=True, slots=True)
class Status:
    """A run as it stood at one moment.

    `stamp` is when it was taken, `calendar` what the test's own calendar said then (the same
    but in a rehearsal), both ISO 8601 in UTC. `state` was entered at test time `since` on
    `cause` and `why`; `means` says in words what the rig does in it. Extremes and stiffness are
    those of the newest whole cycle. `loss_warn` and `loss_stop` are fractions of the baseline.
    `coming` is in the order in which it comes. `asks` says what the run waits for people to do,
    `troubles` what is not as it should be; `possible` is what may be asked for now. `forecast` is
    None where cycles do not count.
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
    forecast: Foreseen | None = None

    def to_json(self) -> str:
        """Return the status as one line of JSON (with NaN and Infinity, as Python writes them)."""
        told = asdict(replace(self, slow=dict(self.slow)))
        return json.dumps(told, ensure_ascii=False, default=special)

    @staticmethod
    def from_json(text: str) -> Status:
        """Return the status that `to_json` wrote. Raises ValueError for anything else."""
        status: Status = _typed(Status, json.loads(text), "status")
        return status


def _typed(kind: Any, told: Any, name: str) -> Any:
    """Return what JSON told as the kind of value that a field is declared as."""
    if is_dataclass(kind) and isinstance(told, dict):
        return _made(kind, told, name)
    outer, inner = get_origin(kind), get_args(kind)
    if outer is UnionType:
        return None if told is None else _typed(inner[0], told, name)
    if outer is tuple and isinstance(told, list):
        return tuple(_typed(inner[0], value, name) for value in told)
    if outer is Mapping and isinstance(told, dict):
        return {key: _typed(inner[1], value, name) for key, value in told.items()}
    if type(told) is kind or (kind is float and type(told) is int):
        return told
    raise ValueError(f"{name}: {told!r:.40} is not what this version writes there")


def _made(kind: Any, told: dict[str, Any], name: str) -> Any:
    kinds = _kinds(kind)
    if unknown := told.keys() - kinds.keys():
        raise ValueError(f"{name}: this version does not know {sorted(unknown)}")
    values = {key: _typed(kinds[key], value, key) for key, value in told.items()}
    try:
        return kind(**values)
    except TypeError as error:
        raise ValueError(f"{name}: {error}") from error


@cache
def _kinds(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind)
