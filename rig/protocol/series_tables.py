"""The tables of a series file."""

from __future__ import annotations

import difflib
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field

from rig.protocol.document import meant
from rig.protocol.fields import UNREAD, Capacity, Name, Table, Text, quantity, refuse
from rig.protocol.series import MODES, QUANTITIES, SIGNS
from rig.protocol.series_plan_table import SeriesPlanTable
from rig.units import shown

CENTURY: Final = 36525 * 86400.0
WORD_MOST: Final = 60


def _one_of(known: tuple[str, ...]) -> BeforeValidator:
    """Return what reads one of some words."""

    def read(value: object) -> str:
        if value is UNREAD:
            return ""
        if value not in known:
            raise refuse(f"{shown(value)} is not known here", meant(str(value), known))
        return str(value)

    return BeforeValidator(read)


def _words(value: object) -> tuple[str, ...]:
    """Read a word, or a list of words."""
    if value is UNREAD:
        return ()
    listed: list[object] = value if isinstance(value, list) else [value]
    if not listed:
        raise refuse("[] is empty", "name at least one")
    return tuple(dict.fromkeys(_word(word) for word in listed))


def _word(word: object) -> str:
    if not isinstance(word, str):
        raise refuse(f"{shown(word)} is not text", 'write it in quotes: "..." or ["...", "..."]')
    if not word.strip() or not word.isprintable() or len(word) > WORD_MOST:
        raise refuse(f"{shown(word)} is no name", f"give plain text, at most {WORD_MOST} long")
    return word.strip()


def _signs(value: object) -> tuple[str, ...]:
    """Read what is looked for; what is nearly one of `SIGNS` is a slip of the pen."""
    found = _words(value)
    for word in found:
        near = difflib.get_close_matches(word, SIGNS, n=1, cutoff=0.8)
        if near and word not in SIGNS:
            raise refuse(f"{shown(word)} is not known here", f'did you mean "{near[0]}"?')
    return found


def _sign(value: object) -> str:
    found = _signs(value)
    if len(found) > 1:
        raise refuse(f"{shown(value)} names {len(found)}", "write a hypothesis for each")
    return found[0] if found else ""


def _seen(value: object) -> bool | tuple[str, ...]:
    """Read whether it was seen, or what of it: all, nothing, or a list."""
    if value is UNREAD or isinstance(value, bool):
        return value is True
    if value == []:
        return False
    if not isinstance(value, list):
        raise refuse(
            f"{shown(value)} is neither true nor false",
            'write true or false without quotes, or a list of what was seen: ["rust"]',
        )
    return _words(value)


Span = Annotated[float, quantity("time", 0.0, CENTURY, "d")]
Groups = Annotated[tuple[str, ...], BeforeValidator(_words)]


class EntryTable(Table):
    """What a life and an ultimate load have in common."""

    specimen: Name
    group: Name
    run: Text | None = None
    valid: bool = True
    void_reason: Text | None = None
    mode: Annotated[str, _one_of(MODES)] | None = None
    batch: Name | None = None
    cast: Name | None = None
    bed: Name | None = None
    frame: Name | None = None
    member: Name | None = None
    age: Span | None = None
    wet: Span | None = None


class LifeTable(EntryTable):
    """`[[life]]`."""

    level: Annotated[float, quantity("fraction", 0.01, 1.5, "%")] | None = None
    cycles: Annotated[float, quantity("cycles", 0.1, 1e12, "cycles")] | None = None
    outcome: Literal["failure", "run-out"] | None = None
    concrete_max: Annotated[float, quantity("fraction", 0.0, 1.5, "%")] | None = None
    concrete_min: Annotated[float, quantity("fraction", -0.5, 1.5, "%")] | None = None
    tendon_range: Annotated[float, quantity("stress", 0.0, 3e9, "MPa")] | None = None
    overloaded: bool = False
    interruptions: Span | None = None
    unloaded: Span | None = None


class UltimateTable(EntryTable):
    """`[[ultimate]]`."""

    load: Capacity | None = None
    residual: bool = False


class HypothesisTable(Table):
    """`[[hypothesis]]`."""

    name: Text
    quantity: Annotated[str, _one_of(QUANTITIES)]
    lower: Groups
    higher: Groups
    seen: Annotated[str, BeforeValidator(_sign)] | None = None


class ObservationTable(Table):
    """`[[observation]]`."""

    specimen: Name
    looked_for: Annotated[tuple[str, ...], BeforeValidator(_signs)]
    seen: Annotated[bool | tuple[str, ...], BeforeValidator(_seen)]


class SeriesFile(Table):
    """A whole series file."""

    what = "series file"
    required = ("groups",)

    title: Text = "series"
    groups: dict[str, dict[str, Any]] = Field(default_factory=dict, min_length=1)
    life: list[LifeTable | None] = Field(default_factory=list, max_length=100_000)
    ultimate: list[UltimateTable | None] = Field(default_factory=list, max_length=100_000)
    hypothesis: list[HypothesisTable | None] = Field(default_factory=list, max_length=1000)
    observation: list[ObservationTable | None] = Field(default_factory=list, max_length=100_000)
    plan: SeriesPlanTable | None = None
