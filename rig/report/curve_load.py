"""Loading against target: the figure, the worst cycles, and how many were overloads."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, Final

from rig.report.curve_axes import GREY, LOOKS, RED, Look, Pair, Scale, look, reach, rows_of_panels
from rig.report.curve_target import MARKED, OVERLOADED, WORST, Held
from rig.report.curve_told import Line, between, by_decades
from rig.report.document import Block, Drawn, Listed, Paragraph
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Told, count_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rig.report.curve_columns import Columns

LARGEST: Final = Line("load_max", "largest load", "N")
SMALLEST: Final = Line("load_min", "smallest load", "N")
HIGHEST: Final = 1.01
"""Share of the upper load that no cycle is to go over once it is built up."""
_SHOWN: Final = ((HIGHEST, (0, (1, 2))), (OVERLOADED, (0, (4, 2))), (MARKED, "-"))
_KN: Final = 1e-3


def load_blocks(columns: Columns, scale: Scale) -> tuple[Block, ...]:
    """Return what there is to be said of the loads of a run."""
    if not columns.has("load_max"):
        return ()
    lines = [line for line in (LARGEST, SMALLEST) if columns.has(line.name)]
    drawn = Drawn(
        "load",
        "Load of each cycle against its target",
        partial(_draw, columns, scale, lines),
        Told(_between_words(columns, lines), by_decades(columns, lines)),
    )
    if columns.held is None:
        return drawn, Paragraph(("No target load is known: nothing is held against one.",))
    return Paragraph(_overload_words(columns.held)), drawn, _worst(columns.held)


def upper_load(found: Held) -> Measure:
    """Return the upper load [N] that was asked for."""
    return Measure(found.upper, "N", "derived.upper_load", 4)


def lower_load(found: Held) -> Measure:
    """Return the lower load [N] that was asked for."""
    return Measure(found.lower, "N", "derived.lower_load", 4)


def _percent(share: float, name: str) -> Measure:
    return Measure(share, "%", f"constant.{name}")


def _between_words(columns: Columns, lines: list[Line]) -> tuple[Part, ...]:
    return tuple(part for line in lines for part in (*between(columns, line), ". "))


def _overload_words(found: Held) -> tuple[Part, ...]:
    parts: list[Part] = [
        "Target: upper load ",
        upper_load(found),
        ", lower load ",
        lower_load(found),
        ". ",
        *count_of(found.overloads, "cycle", "derived.overload.102.count"),
        " went above ",
        _percent(OVERLOADED, "overloaded"),
        " of the upper load, ",
        *count_of(found.marked, "cycle", "derived.overload.105.count"),
        " above ",
        _percent(MARKED, "marked"),
    ]
    if found.first_marked is not None:
        first = Measure(found.first_marked, COUNT, "derived.overload.105.first")
        parts += [", the first of them cycle ", first]
    return (*parts, ".")


def _worst(found: Held) -> Listed:
    rows: list[tuple[Cell, ...]] = []
    for place, cycle in enumerate(found.worst):
        key = f"derived.worst.{place}"
        rows.append(
            (
                Measure(cycle.number, COUNT, f"{key}.number"),
                Measure(cycle.load_max, "N", f"{key}.load_max", 5),
                Measure(cycle.load_max / found.upper, "%", f"{key}.of_upper", 4),
                Measure(cycle.load_min, "N", f"{key}.load_min", 5),
                Measure(cycle.off, "N", f"{key}.off"),
            )
        )
    heads = ("counted cycle", "Largest load", "Of upper load", "Smallest load", "Off by")
    caption = (
        "The worst ",
        Measure(WORST, COUNT, "constant.worst"),
        " cycles: those whose largest or smallest load was farthest off its target, either way.",
    )
    return Listed(caption, Table(heads, tuple(rows)), folded=True)


def _draw(columns: Columns, scale: Scale, lines: list[Line]) -> Figure:
    with look():
        labels = [f"{line.label} [kN]" for line in lines]
        figure, pairs = rows_of_panels(scale, labels, 1.3 if len(lines) > 1 else 1.7)
        for place, (pair, line) in enumerate(zip(pairs, lines, strict=True)):
            curve = columns.curves[line.name]
            pair.line(curve, _KN, Look(line.label, LOOKS[place]))
            ends = [_KN * curve.statistics.min, _KN * curve.statistics.max]
            if columns.held is not None:
                ends += _target(pair, columns.held, line)
            pair.bounds(*reach(*ends))
            pair.legend()
    return figure


def _target(pair: Pair, found: Held, line: Line) -> list[float]:
    """Draw the target of a load and what lies about it; return the ends [kN] to show."""
    target = _KN * (found.upper if line is LARGEST else found.lower)
    pair.level(target, "target" if line is LARGEST else "lower load", dash="-", colour=GREY)
    if line is not LARGEST:
        return [0.95 * target, 1.05 * target]
    for share, dash in _SHOWN:
        pair.level(share * target, f"{100 * share:.0f} %", dash=dash)
    over = [cycle for cycle in found.worst if cycle.load_max > OVERLOADED * found.upper]
    if over:
        style: dict[str, Any] = {"marker": "v", "color": RED}
        numbers, loads = [c.number for c in over], [_KN * c.load_max for c in over]
        pair.marks(numbers, loads, "overload (of the worst cycles)", **style)
    return [target, 1.06 * target]
