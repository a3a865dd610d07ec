"""Tables of life ratios at equal levels: without and with the error of what levels rest on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from rig.commands.tables import Printed, Row, number
from rig.lives.evidence import between

if TYPE_CHECKING:
    from rig.lives.at_levels import AtLevel, LeftOfWater
    from rig.lives.levels import EqualLevel

SHORT: Final = {
    "load level": "load level",
    "concrete level": "concrete",
    "tendon range": "tendon",
}
"""Measures in a narrow table."""
MOST_SLOPES: Final = 4
"""Slopes whose origin is printed."""
HEADS: Final = ("at equal", "ratio\n", "without\n", "with\n", "decades\n")


def water_table(water: Sequence[LeftOfWater]) -> Printed:
    """Return what is left of water in each measure that tells it: dry lives over wet ones."""
    rows: list[Row] = [
        (f"{x.dry}, {x.wet}", SHORT[x.measure], *_cells(x.equal))
        for x in water
        if x.equal is not None
    ]
    return "Dry over wet", HEADS, rows


def at_levels_table(found: Sequence[AtLevel]) -> Printed:
    """Return the other pairs at equal levels."""
    rows: list[Row] = [(f"{x.a}, {x.b}", SHORT[x.equal.measure], *_cells(x.equal)) for x in found]
    return "a over b", HEADS, rows


def _cells(equal: EqualLevel) -> list[str]:
    return [
        number(equal.ratio, 3),
        between(equal.low_without, equal.high_without),
        between(equal.low, equal.high),
        ", ".join(number(x, 2) for x in (equal.decades_from_capacity, equal.decades_from_slope)),
    ]


def measures_words(found: Sequence[EqualLevel], confidence: float) -> list[str]:
    """Say what the columns are, and where the slopes come from."""
    if not found:
        return []
    slopes: dict[str, list[str]] = {}
    for equal in found:
        measures = slopes.setdefault(equal.slope_from, [])
        if equal.measure not in measures:
            measures.append(equal.measure)
    shown = list(slopes.items())[:MOST_SLOPES]
    rest = len(slopes) - len(shown)
    return [
        f"  {confidence * 100:.3g} %, without and with the error of mean capacities and slope; "
        "decades: of life, the standard error from the capacities, and from the slope",
        *(f"  slope of {' and '.join(of)}: {origin}" for origin, of in shown),
        *([f"  {rest} more slopes with --json"] if rest else []),
    ]
