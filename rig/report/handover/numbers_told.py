"""The numbers of a handover as a table for people: then, now, and what changed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from rig.monitor import words
from rig.report.handover.changes import Change

NOT_MEASURED: Final = "not measured"
LABELS: Final = 23
THEN: Final = 35
"""Cell at which the value of then ends, counted from the begin of a row."""
NOW: Final = 48
_ORDER: Final = (
    *("cycles", "stiffness", "loss", "foretold_failure", "deflection_max", "load_max"),
    *("load_min", "deflection_min", "residual_deflection", "water_given", "periods_missed"),
    *("tank", "static_stiffness", "disk_room"),
)
"""The most telling first; temperatures follow."""
_NAMES: Final = {
    "loss": "stiffness lost",
    "foretold_failure": "failure at cycle, 80 %",
    "deflection_max": "net deflection max",
    "deflection_min": "net deflection min",
    "load_max": "load max",
    "load_min": "load min",
    "residual_deflection": "residual",
    "static_stiffness": "check stiffness",
    "water_given": "water given",
    "periods_missed": "periods missed",
    "disk_room": "disk room",
}
_ABSENT: Final = {"foretold_failure": "not foretold", "disk_room": "not kept"}
_COUNTS: Final = frozenset({"cycles", "foretold_failure", "periods_missed"})
_LITTLE: Final = 0.02
"""Water [m3] below which tenths of a litre are told."""
_WITH_SHARE: Final = frozenset({"stiffness", "static_stiffness", "deflection_max"})
"""Numbers whose change is told as a share too."""


@dataclass(frozen=True, slots=True)
class _Shown:
    """How values of one kind are shown: unit of the trade, factor, what is added, decimals."""

    unit: str
    factor: float = 1.0
    added: float = 0.0
    decimals: int = 0

    def value(self, value: float) -> str:
        return words.number(value * self.factor + self.added, self.decimals)

    def change(self, then: float, now: float) -> str:
        """Return the difference of the values that are shown: people check it."""
        then, now = (round(v * self.factor + self.added, self.decimals) for v in (then, now))
        shown = words.number(now - then, self.decimals)
        return f"+{shown}" if shown.strip("0.,") and not shown.startswith("−") else shown


_UNITS: Final = {
    "N": _Shown("kN", 1e-3, decimals=2),
    "m": _Shown("mm", 1e3, decimals=3),
    "N/m": _Shown("kN/mm", 1e-6, decimals=2),
    "m3": _Shown("L", 1e3),
    "K": _Shown("°C", added=-273.15, decimals=1),
    "share": _Shown("%", 100.0, decimals=1),
    "B": _Shown("GB", 1e-9, decimals=1),
    "1": _Shown(""),
}


def number_rows(changes: Iterable[Change]) -> tuple[list[str], list[str]]:
    """Return a row for each number that is known, the most telling first, and names of others."""
    found = sorted(changes, key=_place)
    lacking = [_name(change) for change in found if not change.known]
    return [_row(change) for change in found if change.known], lacking


def _place(change: Change) -> int:
    return _ORDER.index(change.name) if change.name in _ORDER else len(_ORDER)


def _name(change: Change) -> str:
    known = _NAMES.get(change.name)
    if known:
        return known
    return words.channel_name(change.name) if change.unit == "K" else change.name


def _row(change: Change) -> str:
    shown = _UNITS[change.unit]
    if change.unit == "m3" and not any(v >= _LITTLE for v in (change.then, change.now)):
        shown = replace(shown, decimals=1)
    name = _name(change)
    label = f"{name}, {shown.unit}" if shown.unit else name
    absent = _ABSENT.get(change.name, NOT_MEASURED)
    then, now = (shown.value(v) if math.isfinite(v) else absent for v in (change.then, change.now))
    row = f"{label:<{LABELS}}"
    row += then.rjust(max(THEN - len(row), len(then) + 1))
    row += now.rjust(max(NOW - len(row), len(now) + 1))
    tail = "  ".join(_tail(change, shown))
    return f"{row}  {tail}".rstrip()


def _tail(change: Change, shown: _Shown) -> list[str]:
    parts = []
    if math.isfinite(change.change) and change.name != "foretold_failure":
        parts.append(shown.change(change.then, change.now))
        if change.name in _WITH_SHARE and change.then:
            parts[0] += f" ({words.per_cent(change.change / change.then, signed=True)})"
    if change.name == "loss" and parts:
        parts[0] += " points"
    if math.isfinite(change.target):
        parts.append(f"target {shown.value(change.target)}")
    if math.isfinite(change.least) and math.isfinite(change.most):
        parts.append(f"{shown.value(change.least)} to {shown.value(change.most)}")
    return parts
