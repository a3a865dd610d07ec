"""What people found after the end, each fact with the row of the crack log it stands in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rig.record.cracks import CrackEntry, corrections, standing
from rig.report.measure import Words


@dataclass(frozen=True, slots=True)
class Fact:
    """One fact as it stands: its `name`, the `row` of the crack log from 0, words, wires, who."""

    name: str
    row: int
    words: Words
    wires: int
    by: Words


def facts_after(entries: Sequence[CrackEntry]) -> dict[str, Fact]:
    """Return of each fact the newest that stands; of "valid" and "void" the later one alone."""
    rows = {entry.number: row for row, entry in enumerate(entries)}
    corrected = corrections(entries)
    found: dict[str, Fact] = {}
    for entry in standing(entries):
        if entry.kind != "after-test":
            continue
        last = corrected.get(entry.number, (entry,))[-1]
        row = rows[last.number]
        if entry.fact in {"valid", "void"}:
            found.pop("valid", None)
            found.pop("void", None)
        words = Words(entry.text, f"cracks.{row}.text")
        by = Words(entry.by, f"cracks.{row}.by")
        found[entry.fact] = Fact(entry.fact, row, words, entry.wires, by)
    return found


def said_after(entries: Sequence[CrackEntry]) -> tuple[Fact, ...]:
    """Return other words that were written after the end and stand."""
    rows = {entry.number: row for row, entry in enumerate(entries)}
    corrected = corrections(entries)
    found = []
    for entry in standing(entries):
        if entry.kind == "words" and entry.at_utc:
            row = rows[corrected.get(entry.number, (entry,))[-1].number]
            words = Words(entry.text, f"cracks.{row}.text")
            found.append(Fact("words", row, words, 0, Words(entry.by, f"cracks.{row}.by")))
    return tuple(found)
