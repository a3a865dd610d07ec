"""Entries of the crack log in words, for events, answers and lists."""

from __future__ import annotations

import math
from typing import Final

from rig.record.cracks import WITHDRAWN, CrackEntry

_SHORT: Final = 12
"""Letters of a picture's hash that are shown: enough to tell one from another."""


def millimetres(value: float) -> str:
    """Return a length [m] in words, such as "0.12 mm"."""
    return f"{value * 1e3:.5g} mm" if abs(value) < 10 else f"{value:.5g} m"


def in_words(entry: CrackEntry) -> str:
    """Return what an entry says, without its number and who wrote it."""
    if entry.kind == "correction" and entry.fact == WITHDRAWN:
        return f"withdrawn: {entry.text}"
    if entry.fact:
        return _fact(entry)
    parts = _reading(entry) if entry.crack else []
    if entry.picture:
        parts.append(f"picture {entry.picture[:_SHORT]}")
    said = ", ".join(parts)
    return ": ".join(part for part in (said, entry.text) if part)


def numbered(entry: CrackEntry) -> str:
    """Return an entry in words with its number, and that of the entry it corrects."""
    corrects = f" corrects {entry.corrects}" if entry.corrects else ""
    return f"entry {entry.number}{corrects}: {in_words(entry)}"


def place(entry: CrackEntry) -> str:
    """Return where a crack is, such as "C1 front, 740 mm from the left support, flexural"."""
    parts = [f"{entry.crack} {entry.face}".strip()]
    if not math.isnan(entry.position):
        parts.append(f"{millimetres(entry.position)} from the left support")
    if entry.direction:
        parts.append(entry.direction)
    return ", ".join(parts)


def _reading(entry: CrackEntry) -> list[str]:
    parts = [place(entry)]
    if not math.isnan(entry.height):
        parts.append(f"tip {millimetres(entry.height)} above the soffit")
    if entry.kind == "picture":
        return parts
    for value, word in ((entry.width, "wide"), (entry.length, "long")):
        noun = "width" if word == "wide" else "length"
        known = not math.isnan(value)
        parts.append(f"{millimetres(value)} {word}" if known else f"{noun} not read")
    if entry.lost:
        parts.append(f"lost material: {entry.lost}")
    return parts


def _fact(entry: CrackEntry) -> str:
    if entry.fact == "valid":
        return f"valid: {entry.text}" if entry.text else "valid"
    if entry.fact == "wires":
        where = f", {entry.text}" if entry.text else ""
        return f"{entry.wires} {'wire' if entry.wires == 1 else 'wires'} broken{where}"
    names = {"mode": "failure mode", "void": "void", "rust": "rust"}
    return f"{names.get(entry.fact, entry.fact)}: {entry.text}"
