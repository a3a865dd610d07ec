"""What the static checks tell over the cycles: effective prestress, and deflection left behind."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final, TypeVar

import numpy as np

from rig.mechanics.reopening import effective_prestress
from rig.report.curve_axes import GREY, LOOKS, Look, Scale, look, reach, rows_of_panels
from rig.report.curve_told import Line, from_to
from rig.report.document import Block, Drawn
from rig.report.event_words import INTERVAL
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Told, no_finer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure

    from rig.mechanics.specimen import Specimen
    from rig.protocol.plan import Plan
    from rig.record.entries import Event
    from rig.report.curve_columns import Columns
    from rig.report.curve_statics import Static

LOWEST: Final = Line("deflection_min", "net deflection at lower load", "m")
_ROWS: Final = 14
_Kind = TypeVar("_Kind")
_MARK: Final[dict[str, Any]] = {"marker": "s", "markerfacecolor": "white"}


@dataclass(frozen=True, slots=True)
class Left:
    """The effective prestress [Pa] a static check tells of, and its interval, NaN where unknown.

    `share` is that of the prestress in the specimen file.
    """

    static: Static
    stress: float
    low: float
    high: float
    share: float


def left_of(
    statics: Sequence[Static], events: Sequence[Event], specimen: Specimen
) -> tuple[Left, ...]:
    """Return the effective prestress of each static check that shows where cracks re-open."""
    said = [event.text for event in events if event.kind == "static"]
    # Each check has an event of its own; an imported record may have none.
    words = said if len(said) == len(statics) else [""] * len(statics)
    found = []
    for static, text in zip(statics, words, strict=True):
        at = effective_prestress(specimen, static.reopening_load)
        if at is None or not np.isfinite(static.reopening_load):
            continue
        ends = INTERVAL.search(text)
        low, high = (
            _stress(specimen, float(end) * 1e3) for end in (ends.groups() if ends else ("nan",) * 2)
        )
        found.append(Left(static, at.stress, low, high, at.share))
    return tuple(found)


def _stress(specimen: Specimen, load: float) -> float:
    found = effective_prestress(specimen, load)
    return found.stress if found is not None else float("nan")


def prestress_block(
    statics: Sequence[Static], events: Sequence[Event], plan: Plan | None, scale: Scale
) -> Block | None:
    """Return the effective prestress over the cycles, from where cracks re-open."""
    found = left_of(statics, events, plan.specimen) if plan is not None else ()
    if not found:
        return None
    sentence: tuple[Part, ...] = (
        "Effective prestress from the load at which cracks re-open: ",
        _stress_of(found[0], "stress"),
        " in the first check that shows it, ",
        _stress_of(found[-1], "stress"),
        " in the last. Bars are the interval (",
        Measure(0.95, "%", "constant.interval"),
        ") of the fit alone, as the event of the check tells it. The share is of the prestress in "
        "the specimen file, taken back to concrete without strain. Good for following one specimen "
        "over its cycles, less for its absolute value: the tangents meet above the load at which "
        "the soffit is without stress.",
    )
    heads = ("counted cycle", "Re-opening load", "Effective prestress", "from", "to", "Of the file")
    table = Table(heads, tuple(_prestress_row(left) for left in _some(found)))
    draw = partial(_draw_prestress, found, scale)
    return Drawn("effective-prestress", "Effective prestress", draw, Told(sentence, table))


def _stress_of(left: Left, what: str) -> Measure:
    key = f"derived.effective_prestress.{left.static.index}"
    key = key if what == "stress" else f"{key}.{what}"
    return Measure(getattr(left, what), "Pa", key, 4, blank="not told")


def _prestress_row(left: Left) -> tuple[Cell, ...]:
    index = left.static.index
    share = f"derived.effective_prestress.{index}.share"
    return (
        Measure(left.static.cycle, COUNT, f"static.{index}.cycle"),
        Measure(left.static.reopening_load, "N", f"static.{index}.reopening_load", 4),
        _stress_of(left, "stress"),
        _stress_of(left, "low"),
        _stress_of(left, "high"),
        Measure(left.share, "%", share),
    )


def _some(found: Sequence[_Kind]) -> list[_Kind]:
    """Return all of a few, of many some, the first and the last among them."""
    if len(found) <= _ROWS:
        return list(found)
    places = np.unique(np.round(np.linspace(0, len(found) - 1, _ROWS)).astype(int))
    return [found[place] for place in places.tolist()]


def _draw_prestress(found: Sequence[Left], scale: Scale) -> Figure:
    with look():
        figure, (pair,) = rows_of_panels(scale, ["effective prestress [MPa]"], 1.6)
        numbers = [left.static.cycle for left in found]
        values = [1e-6 * left.stress for left in found]
        over = 100.0 / max(scale.cycles, 1)
        for axes, at in (
            (pair.log, [max(number, 1) for number in numbers]),
            (pair.share, [number * over for number in numbers]),
        ):
            known = [left for left in found if left.low == left.low]
            axes.vlines(
                [x for x, left in zip(at, found, strict=True) if left.low == left.low],
                [1e-6 * left.low for left in known],
                [1e-6 * left.high for left in known],
                color=GREY,
                linewidth=1.2,
            )
        style = _MARK | {"color": LOOKS[0]["color"]}
        pair.marks(numbers, values, "static checks; before the first cycle at the left", **style)
        ends = [1e-6 * end for left in found for end in (left.low, left.high, left.stress)]
        ends += [0.98 * min(values), 1.02 * max(values)]
        pair.bounds(*reach(*ends))
        pair.legend()
    return figure


def residual_block(
    statics: Sequence[Static], columns: Columns, scale: Scale, step: float
) -> Block | None:
    """Return what deflection is left: at lower load of the cycles, and after the static checks.

    `step` is the smallest change of deflection [m] that shows.
    """
    checks = [static for static in statics if np.isfinite(static.residual)]
    lowest = columns.has(LOWEST.name)
    if not checks and not lowest:
        return None
    parts: list[Part] = []
    if lowest:
        parts += [*from_to(columns, LOWEST), ", as recorded, not corrected for temperature. "]
    if checks:
        parts += [
            "A static check left behind, at equal load: ",
            _residual(checks[0], step),
            " the first, ",
            _residual(checks[-1], step),
            " the last.",
        ]
    rows = [
        (Measure(s.cycle, COUNT, f"static.{s.index}.cycle"), _residual(s, step))
        for s in _some(checks)
    ]
    told = Told(tuple(parts), Table(("counted cycle", "left behind by the check"), tuple(rows)))
    draw = partial(_draw_residual, checks, columns, scale)
    return Drawn("residual-deflection", "Deflection that is left", draw, told)


def _residual(static: Static, step: float) -> Measure:
    key = f"static.{static.index}.residual"
    return no_finer(Measure(static.residual, "m", key, blank="not measured"), step)


def _draw_residual(checks: Sequence[Static], columns: Columns, scale: Scale) -> Figure:
    lowest = columns.has(LOWEST.name)
    labels = [*(["at lower load [mm]"] if lowest else []), *(["left by check [µm]"] * bool(checks))]
    with look():
        figure, pairs = rows_of_panels(scale, labels, 1.2)
        if lowest:
            pair, found = pairs[0], columns.curves[LOWEST.name]
            pair.line(found, 1e3, Look(LOWEST.label, LOOKS[0]))
            pair.bounds(*reach(0.0, 1e3 * found.statistics.min, 1e3 * found.statistics.max))
            pair.legend()
        if checks:
            pair = pairs[-1]
            values = [1e6 * static.residual for static in checks]
            style = _MARK | {"color": LOOKS[1]["color"]}
            words = "static checks; before the first cycle at the left"
            pair.marks([static.cycle for static in checks], values, words, **style)
            pair.bounds(*reach(0.0, *values, room=0.12))
            pair.legend()
    return figure
