"""How far each limited signal is from where it stops the rig."""

from __future__ import annotations

import math

from rich.text import Text

from rig.monitor import words
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import FAINT, LABEL, ODD, Row, reach
from rig.monitor.view import View
from rig.record.status import Armed

CLOSE = 0.015
"""Share of a limit's span below which the room left is marked."""
_NAMES = 15


def bounds(view: View, width: int, signs: Glyphs, *, most: int, label: str) -> list[Text]:
    """Return one line for each armed limit, the one with the least room first."""
    if view.ending is not None:
        return []
    armed = sorted(view.status.limits, key=_order)
    indent = LABEL if label else 0
    if not armed:
        return [Row(signs, width, label).put("no limit is armed", FAINT).text]
    lines = []
    for i, limit in enumerate(armed[:most]):
        hidden = len(armed) - most if i == most - 1 else 0
        name = label if i == 0 else f"({hidden} more)" if hidden > 0 and label else ""
        row = Row(signs, width, name)
        row.put(" " * (indent - row.used))
        lines.append(_one(limit, row, indent + _NAMES))
    return lines


def _order(armed: Armed) -> float:
    share = _room(armed)[2]
    # In steps, so that two limits with like room do not change places at every look.
    return math.floor(10 * share) if abs(share) < 1e6 else math.inf


def _room(armed: Armed) -> tuple[float, float, float]:
    """Return value and bound of the nearer side, and the room as a share of the span."""
    sides = []
    finite = math.isfinite(armed.high - armed.low)
    for value, bound, room in (
        (armed.most, armed.high, armed.high - armed.most),
        (armed.least, armed.low, armed.least - armed.low),
    ):
        size = armed.high - armed.low if finite else abs(bound)
        if math.isfinite(bound) and math.isfinite(room) and size > 0 and math.isfinite(size):
            sides.append((value, bound, room / size))
    return min(sides, key=lambda s: s[2], default=(math.nan, math.nan, math.nan))


def _one(armed: Armed, row: Row, indent: int) -> Text:
    value, bound, share = _room(armed)
    unit = words.unit_of(armed.channel)
    close = share < CLOSE
    style = ODD if close else ""
    row.put(words.channel_name(armed.channel)[: _NAMES - 1]).to(indent)
    if not math.isfinite(share):
        return row.put(f"between {_end(armed.low, unit)} and {_end(armed.high, unit)}").text
    room = abs(bound - value) if share >= 0 else -abs(bound - value)
    row.right(words.quantity(value, unit, with_unit=False), row.used + 7, "bold")
    side = "below" if bound == armed.high else "above"
    row.maybe(f" {side} {words.quantity(bound, unit, with_unit=False):>6}")
    left = f"  {words.quantity(abs(room), unit):>9} {'left' if room >= 0 else 'BEYOND'}"
    row.maybe(left, style or "bold")
    track = row.width - row.used - 4
    if track >= 8:
        low = armed.low if math.isfinite(armed.low) else min(0.0, armed.least)
        high = armed.high if math.isfinite(armed.high) else max(0.0, armed.most)
        row.put("  ").put(
            reach(low, high, armed.least, armed.most, min(track, 40), row.signs), style
        )
    if close:
        row.maybe(f" {row.signs.warn}", style)
    return row.text


def _end(bound: float, unit: str) -> str:
    return words.quantity(bound, unit) if math.isfinite(bound) else "no bound"
