"""What a run is recorded as: its header, its records, and the tables they become."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, astuple, dataclass, field, replace
from typing import Any, Final

from rig.channels import Channel
from rig.samples import SampleArray, column_type, cycle_columns

AS_IT_STANDS: Final = "ended as it stands"
"""How the why of a record begins that somebody closed without an end of its test."""
OF_AIR: Final = "air run: "
"""How the why of an air run begins, which is not taken up again."""
RAN_OUT: Final = "residual"
"""Kind of the event that a run-out stands and its static test begins."""
AT_ONCE: Final = frozenset({"state", "limit", "verdict"})
"""Kinds of events that are committed without waiting to be told."""


@dataclass(frozen=True, slots=True)
class RunHeader:
    """What is known of a run before its first cycle.

    `rate` is frames a second [Hz]; `texts` holds the files as written under "protocol", "rig",
    "specimen" and "series"; `seed` is None on a real rig; `virtual` tells that its time was (a
    rehearsal), `imported` in words what it was imported from, "" for a run of our own.
    """

    run_id: str
    software: str
    started_utc: str
    title: str
    specimen_id: str
    exposure: str
    seed: int | None
    rate: float
    channels: tuple[Channel, ...]
    texts: Mapping[str, str] = field(default_factory=dict)
    simulated: bool = False
    virtual: bool = False
    imported: str = ""

    @property
    def sampled(self) -> tuple[str, ...]:
        """Names of the channels with samples, in their order."""
        return tuple(c.name for c in self.channels if not c.slow)

    @property
    def slow(self) -> tuple[str, ...]:
        """Names of the channels that come about once a second."""
        return tuple(c.name for c in self.channels if c.slow)

    def to_json(self) -> str:
        """Return the header as one line of JSON."""
        plain = asdict(replace(self, texts=dict(self.texts)))
        return json.dumps(plain, ensure_ascii=False)

    @staticmethod
    def from_json(text: str) -> RunHeader:
        """Return the header that `to_json` wrote."""
        plain: dict[str, Any] = json.loads(text)
        channels = tuple(Channel(**c) for c in plain.pop("channels"))
        return RunHeader(channels=channels, **plain)


@dataclass(frozen=True, slots=True)
class Residual:
    """How the static test after a run-out ended: `outcome` is ultimate, limit, fault or operator.

    `load` [N] is the highest it held, `deflection` [m] the net deflection there; both are None
    where it did not come to load.
    """

    outcome: str
    why: str
    load: float | None = None
    deflection: float | None = None

    @property
    def words(self) -> str:
        """What is known of the residual capacity, for people."""
        if self.outcome == "ultimate":
            return f"residual capacity {(self.load or 0.0) / 1e3:.5g} kN: {self.why}"
        held = "" if self.load is None else f" after it had held {self.load / 1e3:.5g} kN"
        return f"residual capacity not known: {self.outcome}{held}: {self.why}"


@dataclass(frozen=True, slots=True)
class Ending:
    """How a run ended: `cycles` is the number at the verdict, `ended_time` test time [s].

    `residual` is how the static test after a run-out ended, None where there was none.
    """

    outcome: str
    why: str
    cycles: int
    ended_time: float
    residual: Residual | None = None

    @property
    def last(self) -> Ending | Residual:
        """What ended last: by its outcome a run goes on or not, and has its exit code."""
        return self.residual or self

    def to_json(self) -> str:
        """Return it as one line of JSON; without a residual test as it always was."""
        plain = [self.outcome, self.why, self.cycles, self.ended_time]
        after = [] if self.residual is None else [astuple(self.residual)]
        return json.dumps([*plain, *after], ensure_ascii=False)

    @staticmethod
    def from_json(text: str) -> Ending:
        """Return what `to_json` wrote. Raises TypeError and ValueError."""
        plain = json.loads(text)
        return Ending(*plain[:4], *(Residual(*after) for after in plain[4:]))


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened: test time [s], last counted cycle, kind, text."""

    time: float
    cycle: int
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class StaticRecord:
    """One static check with its samples.

    Test time [s], last counted cycle, stiffness [N/m], re-opening load [N], residual deflection
    [m]; `values` float32 (channels, frames) [SI] at `rate` [Hz] from device frame `first`.
    """

    time: float
    cycle: int
    stiffness: float
    reopening_load: float
    residual: float
    channels: tuple[str, ...]
    rate: float
    first: int
    values: SampleArray


@dataclass(frozen=True, slots=True)
class FullRateRecord:
    """A stretch of samples that is kept: `values` float32 (channels, frames) [SI]."""

    label: str
    cycle: int
    first_frame: int
    rate: float
    channels: tuple[str, ...]
    values: SampleArray


@dataclass(frozen=True, slots=True)
class Field:
    """One column of a table in the run file."""

    name: str
    dtype: str
    units: str
    long_name: str


_TIME: Final = Field("time", "<f8", "s", "test time")
_CYCLE: Final = Field("cycle", "<i8", "1", "last counted cycle")
_TEXT: Final = Field("text", "text", "1", "in words")

LISTS: Final[dict[str, tuple[Field, ...]]] = {
    "events": (_TIME, _CYCLE, Field("kind", "text", "1", "kind of event"), _TEXT),
    "spray": (
        Field("time_on", "<f8", "s", "test time of water on"),
        Field("time_off", "<f8", "s", "test time of water off"),
        Field("volume", "<f8", "m3", "water given"),
        Field("confirmed", "|u1", "1", "flow was confirmed"),
    ),
    "inspections": (_TIME, _CYCLE, Field("duration", "<f8", "s", "duration"), _TEXT),
    # The first three are as they always were; what came later follows them.
    "cracks": (
        _TIME,
        _CYCLE,
        _TEXT,
        Field("entry", "<i8", "1", "number of the entry, from 1"),
        Field("kind", "text", "1", "reading, picture, words, correction or after-test"),
        Field("by", "text", "1", "who wrote it"),
        Field("crack", "text", "1", "label of the crack"),
        Field("face", "text", "1", "face of the specimen"),
        Field("position", "<f8", "m", "place along the span from the left support"),
        Field("height", "<f8", "m", "height of the tip above the soffit"),
        Field("direction", "text", "1", "flexural, longitudinal or inclined"),
        Field("width", "<f8", "m", "width of the crack"),
        Field("length", "<f8", "m", "length of the crack"),
        Field("lost", "text", "1", "lost material"),
        Field("corrects", "<i8", "1", "number of the entry in whose place it stands, 0 for none"),
        Field("picture", "text", "1", "SHA-256 of the picture"),
        Field("fact", "text", "1", "what was found after the end, or withdrawn"),
        Field("wires", "<i8", "1", "broken wires, where that is what was found"),
        Field("at_utc", "text", "1", "when it was written (UTC), where that was after the end"),
    ),
    "interruptions": (_TIME, _CYCLE, Field("duration", "<f8", "s", "duration"), _TEXT),
    "calibration": (
        Field("channel", "text", "1", "channel"),
        Field("unit", "text", "1", "SI unit of the channel"),
        Field("resolution", "<f8", "SI", "smallest change shown"),
        Field("low", "<f8", "SI", "lower end of the range"),
        Field("high", "<f8", "SI", "upper end of the range"),
    ),
    "zeros": (
        _TIME,
        Field("channel", "text", "1", "channel"),
        Field("value", "<f8", "SI", "reading without load"),
        _TEXT,
    ),
}
"""Tables of few rows; each becomes one compound dataset of the run file."""

_BLANKS: Final[Mapping[str, Any]] = {"text": "", "<f8": math.nan, "<i8": 0, "|u1": 0}


def filled(kind: str, row: Sequence[Any]) -> tuple[Any, ...]:
    """Return a row of a short list with a blank in each column that came after it was made."""
    return (*row, *(_BLANKS[field.dtype] for field in LISTS[kind][len(row) :]))


STATIC: Final[tuple[Field, ...]] = (
    _TIME,
    _CYCLE,
    Field("stiffness", "<f8", "N/m", "stiffness of the static check"),
    Field("reopening_load", "<f8", "N", "load at which cracks re-open"),
    Field("residual", "<f8", "m", "residual net deflection"),
    Field("rate", "<f8", "Hz", "frames per second"),
    Field("first_frame", "<i8", "1", "device number of the first frame"),
)

_COLUMN_WORDS: Final[dict[str, tuple[str, str]]] = {
    "number": ("1", "number of the counted cycle"),
    "time": ("s", "test time of the cycle"),
    "deflection_max": ("m", "largest net deflection"),
    "deflection_min": ("m", "smallest net deflection"),
    "stiffness": ("N/m", "slope of load on net deflection"),
    "energy": ("J", "energy dissipated in the cycle"),
    "frequency": ("Hz", "frequency of the cycle"),
    "wet": ("1", "water was on"),
    "flags": ("1", "marks, a bit mask"),
}


def tables(header: RunHeader) -> dict[str, tuple[Field, ...]]:
    """Return the columns of the tables of many rows: cycles, build_up, slow."""
    units = {c.name: c.unit for c in header.channels} | {"load": "N"}
    cycles = tuple(_column(name, units) for name in cycle_columns(header.sampled))
    slow = tuple(Field(n, "<f4", units[n], f"{n}, about once a second") for n in header.slow)
    return {"cycles": cycles, "build_up": cycles, "slow": (_TIME, *slow)}


def _column(name: str, units: Mapping[str, str]) -> Field:
    if name in _COLUMN_WORDS:
        return Field(name, column_type(name), *_COLUMN_WORDS[name])
    channel, end = name.rsplit("_", 1)
    word = "largest" if end == "max" else "smallest"
    return Field(name, column_type(name), units[channel], f"{word} {channel} of the cycle")
