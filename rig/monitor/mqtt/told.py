"""What arrives of a rig, read strictly: a payload is what this version writes, or not understood.

Whoever may publish at the broker may send anything: nothing here trusts a payload, every text is
free of control characters and every value bounded. Values in SI, times in UTC.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, Field, PlainValidator, TypeAdapter, ValidationError

from rig.monitor.glyphs import LONGEST, UTF8
from rig.monitor.mqtt.topics import (
    ALERTS,
    CYCLES,
    END,
    EVENTS,
    FORECAST,
    PRESENCE,
    STATUS,
    Topic,
)

LARGEST: Final = 64 * 1024
"""Bytes of a payload that is read; a status takes some two thousand."""
_MANY: Final = 50
_COUNT: Final = 10**15
_TIME: Final = 40
_YEARS: Final = range(2000, 2200)


class NotUnderstood(ValueError):
    """A payload that is not what this version writes; says where and why in one line."""


def _plain(text: str) -> str:
    return UTF8.safe(text[:LONGEST])


def _when(told: Any) -> datetime:
    """Return the time that a text tells; a number is none, nor is a time without a zone."""
    if not isinstance(told, str) or len(told) > _TIME:
        raise ValueError("no time in a text such as 2026-11-25T02:10:12+00:00")
    when = datetime.fromisoformat(told)
    if when.tzinfo is None or when.year not in _YEARS:
        raise ValueError(f"{told} has no zone, or is not of the years {_YEARS[0]} to {_YEARS[-1]}")
    return when.astimezone(UTC)


Version = Annotated[int, Field(ge=1, le=1)]
Said = Annotated[str, AfterValidator(_plain)]
Name = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_plain)]
Count = Annotated[int, Field(ge=0, le=_COUNT)]
When = Annotated[datetime, PlainValidator(_when)]
Number = Annotated[float, Field(allow_inf_nan=False)]
Sayings = Annotated[tuple[Said, ...], Field(max_length=_MANY)]


def _in(unit: str) -> Any:
    """Return the field that stands in a payload under a name with its unit."""
    return Field(alias=unit)


@dataclass(frozen=True, slots=True)
class Presence:
    """Whether a rig's teller is there; `cause` says why not, `taken` when its run took the rig."""

    v: Version
    run: Name
    online: bool
    taken: Annotated[When | None, _in("taken_utc")] = None
    since: Annotated[When | None, _in("since_utc")] = None
    cause: Said | None = None


@dataclass(frozen=True, slots=True)
class Called:
    """The verdict of the rig's own computer: does it call for somebody, and why."""

    level: Literal["nothing", "look", "come", "ended"]
    headline: Said = ""
    why: Sayings = ()
    loud: bool = False


@dataclass(frozen=True, slots=True)
class Ahead:
    """Something that will happen by itself."""

    what: Said
    at: Annotated[When | None, _in("at_utc")] = None
    cycle: Count | None = None


@dataclass(frozen=True, slots=True)
class Water:
    """The water: flows [m3/s], tank [m3]."""

    doing: Said
    on: bool
    confirmed: bool = False
    missed: Count = 0
    flow: Annotated[Number | None, _in("flow_m3_per_s")] = None
    tank: Annotated[Number | None, _in("tank_m3")] = None
    tank_lasts: Annotated[Number | None, _in("tank_lasts_s")] = None
    dry_for: Annotated[Number | None, _in("dry_for_s")] = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """When failure is foretold, in cycles and by the clock, or `why` it is not."""

    low: Annotated[Number | None, _in("low_cycles")] = None
    high: Annotated[Number | None, _in("high_cycles")] = None
    soonest: Annotated[When | None, _in("soonest_utc")] = None
    latest: Annotated[When | None, _in("latest_utc")] = None
    why: Said | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastTold(Forecast):
    """A forecast as it is told under its own topic."""

    v: Version
    run: Name


@dataclass(frozen=True, slots=True)
class Trouble:
    """The last trouble of a rig, and when it was."""

    seq: Count
    text: Said
    at: Annotated[When | None, _in("at_utc")] = None


@dataclass(frozen=True, slots=True)
class Status:
    """A rig as it stood when its newest data was taken (`stamp`), as it was `told`."""

    v: Version
    run: Name
    state: Said
    cycles: Count
    call: Called
    stamp: Annotated[When | None, _in("stamp_utc")] = None
    told: Annotated[When | None, _in("told_utc")] = None
    title: Said = ""
    specimen_id: Said = ""
    exposure: Said = ""
    live: bool = True
    gone: bool = False
    means: Said = ""
    why: Said = ""
    since: Annotated[When | None, _in("since_utc")] = None
    stage: Said = ""
    stage_number: Count = 0
    stages: Count = 0
    run_out: Count | None = None
    frequency: Annotated[Number | None, _in("frequency_Hz")] = None
    load_max: Annotated[Number | None, _in("load_max_N")] = None
    load_min: Annotated[Number | None, _in("load_min_N")] = None
    stiffness: Annotated[Number | None, _in("stiffness_N_per_m")] = None
    loss: Number | None = None
    troubles: Sayings = ()
    asks: Said | None = None
    coming: Annotated[tuple[Ahead, ...], Field(max_length=_MANY)] = ()
    water: Water | None = None
    forecast: Forecast | None = None
    last_trouble: Trouble | None = None
    outcome: Said | None = None
    on_call: Said | None = None


@dataclass(frozen=True, slots=True)
class Cycles:
    """The last second in short: the newest counted cycle."""

    v: Version
    run: Name
    cycle: Count | None = None
    frequency: Annotated[Number | None, _in("frequency_Hz")] = None


@dataclass(frozen=True, slots=True)
class End:
    """How a run ended."""

    v: Version
    run: Name
    outcome: Said
    why: Said = ""
    cycles: Count | None = None
    ended: Annotated[When | None, _in("ended_utc")] = None


@dataclass(frozen=True, slots=True)
class Happened:
    """One event of a run; `seq` is its place among them."""

    v: Version
    run: Name
    seq: Count
    kind: Said
    text: Said
    at: Annotated[When | None, _in("at_utc")] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Alert(Happened):
    """One message to people; `seq` is its place among those by this way, `subject` is one line."""

    subject: Said


KINDS: Final[dict[Topic, type[Any]]] = {
    PRESENCE: Presence,
    STATUS: Status,
    CYCLES: Cycles,
    FORECAST: ForecastTold,
    END: End,
    EVENTS: Happened,
    ALERTS: Alert,
}
"""Topics of a rig that are read, each with what it tells."""


@cache
def _reader(kind: Topic) -> TypeAdapter[Any]:
    return TypeAdapter(KINDS[kind])


def read(kind: Topic, payload: bytes) -> Any:
    """Return what a payload of a topic of `KINDS` tells. Raises NotUnderstood."""
    if len(payload) > LARGEST:
        raise NotUnderstood(f"{len(payload):,} bytes, more than {LARGEST:,}")
    try:
        return _reader(kind).validate_json(payload, strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        why = first["msg"].removeprefix("Value error, ")
        raise NotUnderstood(_plain(f"{where}: {why}" if where else why)) from None
