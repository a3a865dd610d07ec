"""`[limits]` of a protocol: fixed bounds, learned ones, and those of a static test after it."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable
from typing import Any, Final

from rig.channels import Channel, channel_unit
from rig.protocol.bounds import table_of_bounds
from rig.protocol.document import Document, meant
from rig.protocol.plan import Bounds, LearnedLimits, Limits
from rig.protocol.position import Path
from rig.units import UnitError, parse, shown

USUAL_LEARNED: Final = {
    "load": 'load = ["50 % of lower", "105 % of upper"]',
    "deflection": 'deflection = "200 % of settled maximum"',
    "stroke": 'stroke = "1.5 mm beyond settled"',
}
"""Learned limits as a line to paste; common practice, no source."""

_WORDS: Final = ("cyclic", "persist", "residual")
_PERSIST: Final = (1e-3, 20e-3)


def build_limits(
    document: Document, table: dict[str, Any], channels: Iterable[Channel] | None, rate: float
) -> Limits:
    """Return the limits of a protocol; what is wrong with them is noted in the document.

    `channels` is None and `rate` [Hz] nan where the rig file does not tell them.
    """
    fixed = {name: v for name, v in table.items() if name not in _WORDS}
    for name in list(fixed):
        near = difflib.get_close_matches(name, _WORDS, n=1, cutoff=0.7)
        if near and channel_unit(name) is None:
            document.refuse(("limits", name), "is not known here", f'did you mean "{near[0]}"?')
            del fixed[name]
    learned = LearnedLimits()
    if "cyclic" in table:
        learned = _learned(document, ("limits", "cyclic"), table["cyclic"])
    return Limits(
        fixed=table_of_bounds(document, ("limits",), fixed, channels),
        learned=learned,
        persist=_persist(document, table["persist"], rate) if "persist" in table else 3,
        residual=_residual(document, table.get("residual", {}), channels),
    )


def _residual(
    document: Document, table: Any, channels: Iterable[Channel] | None
) -> dict[str, Bounds]:
    path = ("limits", "residual")
    if not isinstance(table, dict):
        document.refuse(path, f"{shown(table)} is no table", "write [limits.residual]")
        return {}
    return table_of_bounds(document, path, table, channels)


def _persist(document: Document, value: Any, rate: float) -> int:
    path = ("limits", "persist")
    try:
        seconds = parse(value, "time")
    except UnitError as error:
        document.refuse(path, error.problem, error.remedy)
        return 3
    if not _PERSIST[0] <= seconds <= _PERSIST[1]:
        document.refuse(path, f"{shown(value)} is out of range", "give 1 to 20 ms")
    return 3 if math.isnan(rate) else max(1, round(seconds * rate))


def _learned(document: Document, path: Path, table: Any) -> LearnedLimits:
    if not isinstance(table, dict):
        document.refuse(path, f"{shown(table)} is no table", "write [limits.cyclic]")
        return LearnedLimits()
    for key in table:
        if key not in USUAL_LEARNED:
            document.refuse((*path, key), "is no learned limit", meant(key, USUAL_LEARNED))
    low = high = deflection = stroke = None
    if "load" in table:
        low, high = _learned_load(document, (*path, "load"), table["load"])
    if "deflection" in table:
        deflection = _relative(document, (*path, "deflection"), table["deflection"], _DEFLECTION)
    if "stroke" in table:
        stroke = _relative(document, (*path, "stroke"), table["stroke"], _STROKE)
    return LearnedLimits(low, high, deflection, stroke)


class _Form:
    """How one learned limit is written: quantity, words after it, range [SI]."""

    def __init__(
        self, dimension: str, words: str, low: float, high: float, allowed: str, paste: str
    ) -> None:
        self.dimension = dimension
        self.words = re.compile(rf"(.*?)\s+{words}\s*", re.DOTALL)
        self.low, self.high = low, high
        self.allowed = allowed
        self.paste = paste


_LOAD_LOW: Final = _Form(
    "fraction",
    "of lower",
    0.01,
    0.99,
    "give 1 to 99 % of lower; above that it trips at once",
    '"50 % of lower"',
)
_LOAD_HIGH: Final = _Form(
    "fraction",
    "of upper",
    1.01,
    1.10,
    "give 101 to 110 % of upper; beyond that each cycle costs much of the life",
    '"105 % of upper"',
)
_DEFLECTION: Final = _Form(
    "fraction",
    "of settled maximum",
    1.05,
    10.0,
    "give 105 to 1000 %",
    '"200 % of settled maximum"',
)
_STROKE: Final = _Form(
    "length", "beyond settled", 1e-4, 0.05, "give 0.1 to 50 mm", '"1.5 mm beyond settled"'
)


def _learned_load(document: Document, path: Path, value: Any) -> tuple[float | None, float | None]:
    if not isinstance(value, list) or len(value) != 2:
        document.refuse(path, f"{shown(value)} is no pair", f"write {USUAL_LEARNED['load']}")
        return None, None
    low = _relative(document, (*path, 0), value[0], _LOAD_LOW)
    high = _relative(document, (*path, 1), value[1], _LOAD_HIGH)
    return low, high


def _relative(document: Document, path: Path, value: Any, form: _Form) -> float | None:
    match = form.words.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        document.refuse(path, f"{shown(value)} is no learned limit", f"write {form.paste}")
        return None
    try:
        number = parse(match[1], form.dimension)
    except UnitError as error:
        document.refuse(path, error.problem, f"write {form.paste}")
        return None
    if not form.low <= number <= form.high * (1 + 1e-12):
        document.refuse(path, f"{shown(value)} is out of range", form.allowed)
        return None
    return number
