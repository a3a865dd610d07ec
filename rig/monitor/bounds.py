"""How far each limited signal is from where it stops the rig."""

from __future__ import annotations

import math
from typing import Final

from rich.text import Text

from rig.monitor import words
from rig.monitor.glyphs import Glyphs
from rig.monitor.rows import FAINT, LABEL, ODD, Row, reach
from rig.monitor.view import View
from rig.record.status import Armed

CLOSE: Final = 0.02
"""Share of the span below which the room left is worth a look; common practice, no source.

How long it lasts nobody knows: a creeping signal may have days, a specimen that fails, a cycle.
"""
_NAMES: Final = 15
_TRACK: Final = (6, 40)
_LEAST: Final = ", least"
_LEARNED: Final = " learned"
_NONE: Final = "no limit is armed"
_BEFORE: Final = frozenset({"idle", "checklist", "starting"})


def bounds(view: View, width: int, signs: Glyphs, *, most: int, label: str) -> list[Text]:
    """Return one line for each armed limit, always in the same order.

    Where not all have room, those with little room left and the one with the least stay.
    """
    if view.ending is not None:
        return []
    armed = view.status.limits
    indent = LABEL if label else 0
    if not armed:
        none = "limits are armed before it moves" if view.status.state in _BEFORE else _NONE
        return [Row(signs, width, label).put(none, FAINT).text]
    least = _least(armed)
    lines = []
    for i, place in enumerate(_kept(armed, least, most)):
        hidden = len(armed) - most if i == most - 1 else 0
        name = label if i == 0 else f"({hidden} more)" if hidden > 0 and label else ""
        row = Row(signs, width, name)
        row.put(" " * (indent - row.used))
        several = len(armed) > 1
        lines.append(_one(armed[place], row, indent + _NAMES, place == least, several=several))
    return lines


def room(armed: Armed) -> tuple[float, float, float]:
    """Return value and bound of the nearer side [SI], and the room left as a share.

    The share is of the span between the bounds; where one side is open, of the size of the
    bound, or of the value where the bound is 0. All NaN where nothing is known.
    """
    sides = []
    finite = math.isfinite(armed.high - armed.low)
    for value, bound, left in (
        (armed.most, armed.high, armed.high - armed.most),
        (armed.least, armed.low, armed.least - armed.low),
    ):
        size = armed.high - armed.low if finite else abs(bound) or abs(value)
        if not (math.isfinite(bound) and math.isfinite(left) and math.isfinite(size)):
            continue
        if size > 0:
            sides.append((value, bound, left / size))
        elif not finite:
            sides.append((value, bound, 0.0))  # it lies on a bound of 0
    return min(sides, key=lambda s: s[2], default=(math.nan, math.nan, math.nan))


def close(armed: Armed) -> bool:
    """Tell whether little room is left to a limit."""
    return room(armed)[2] < CLOSE


def _least(armed: tuple[Armed, ...]) -> int:
    """Return the place of the limit with the least room.

    In steps where there is plenty: two with like room do not take turns at every look.
    """
    shares = [room(limit)[2] for limit in armed]
    steps = [s if s < CLOSE or not abs(s) < 1e6 else round(200 * s) / 200 for s in shares]
    return min(range(len(armed)), key=lambda i: math.inf if math.isnan(steps[i]) else steps[i])


def _kept(armed: tuple[Armed, ...], least: int, most: int) -> list[int]:
    """Return the places of the limits that are shown, in their order."""
    first = sorted(range(len(armed)), key=lambda i: (i != least, not close(armed[i]), i))
    return sorted(first[:most])


def _one(armed: Armed, row: Row, indent: int, least: bool, *, several: bool) -> Text:
    value, bound, share = room(armed)
    unit = words.unit_of(armed.channel)
    style = ODD if share < CLOSE else ""
    row.put(words.channel_name(armed.channel)[: _NAMES - 1]).to(indent)
    if not math.isfinite(share):
        return row.put(f"between {_end(armed.low, unit)} and {_end(armed.high, unit)}").text
    row.right(words.quantity(value, unit, with_unit=False), row.used + 6, "bold")
    row.put(f" {words.unit_name(unit)}")
    left = words.quantity(abs(bound - value), unit, with_unit=False, difference=True)
    side = "below" if bound == armed.high else "above"
    row.maybe(f", {left:>5} {side if share >= 0 else 'BEYOND'}", style or "bold" * least)
    row.maybe(f" limit {words.quantity(bound, unit, with_unit=False):>6}")
    column = row.used + len(_LEAST) - (len("BEYOND") - len("below")) * (share < 0)
    if share < CLOSE:
        row.maybe(f" {row.signs.warn}", style)
    if several:
        row.maybe(_LEAST * least, style or "bold")
        row.put(" " * (min(column, row.width) - row.used))
    _drawn(armed, row, style)
    return row.text


def _drawn(armed: Armed, row: Row, style: str) -> None:
    """Add where the signal lies between its bounds, and that a bound was learned."""
    spare = row.width - row.used - 4
    told = _LEARNED if spare - len(_LEARNED) >= _TRACK[0] else ""
    track = min(spare - len(told), _TRACK[1])
    if track >= _TRACK[0]:
        low = armed.low if math.isfinite(armed.low) else min(0.0, armed.least)
        high = armed.high if math.isfinite(armed.high) else max(0.0, armed.most)
        row.put("  ").put(reach(low, high, armed.least, armed.most, track, row.signs), style)
    if armed.learned:
        row.put(told, FAINT)


def _end(bound: float, unit: str) -> str:
    return words.quantity(bound, unit) if math.isfinite(bound) else "no bound"
