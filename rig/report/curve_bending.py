"""Curves of bending: net deflection, stiffness as it is judged, energy, what is left behind."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from rig.report.curve_axes import GREY, LOOKS, PALE, Look, Pair, Scale, look, reach, rows_of_panels
from rig.report.curve_points import Points, even_edges, log_edges, trailing_median
from rig.report.curve_told import BLANK, Line, by_decades, told
from rig.report.document import Block, Drawn
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Told, no_finer

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from rig.protocol.plan import Plan
    from rig.report.curve_columns import Columns
    from rig.report.curve_points import Places, Values
    from rig.report.curve_statics import Static

NET: Final = (
    Line("deflection_max", "largest net deflection", "m"),
    Line("deflection_range", "its range", "m"),
    Line("deflection_min", "smallest net deflection", "m"),
)
STIFFNESS: Final = Line("stiffness", "stiffness of a cycle", "N/m")
ENERGY: Final = Line("energy", "energy of a cycle", "J")
LOSS_STEP: Final = 1e-4
"""A hundredth of a percent: medians of stiffness scatter by more."""
UNJUDGED: Final = 100
"""Cycles whose median is taken where no protocol says how many."""
_MM: Final = 1e3
_KN_MM: Final = 1e-6


def deflection_block(columns: Columns, scale: Scale) -> Block | None:
    """Return net deflection over the cycles."""
    lines = [line for line in NET if columns.has(line.name)]
    if not lines:
        return None
    draw = partial(_draw_lines, columns, scale, lines, "net deflection [mm]", _MM)
    return Drawn("net-deflection", "Net deflection of each cycle", draw, told(columns, lines))


def energy_block(columns: Columns, scale: Scale) -> Block | None:
    """Return the energy dissipated in a cycle, over the cycles."""
    if not columns.has(ENERGY.name):
        return None
    draw = partial(_draw_lines, columns, scale, [ENERGY], "energy a cycle [J]", 1.0)
    total = Measure(columns.curves["energy"].statistics.sum, "J", "cycles.energy.sum", 4)
    words = (" In all cycles together: ", total, ".")
    return Drawn("energy", "Energy dissipated in each cycle", draw, told(columns, [ENERGY], *words))


def _draw_lines(
    columns: Columns, scale: Scale, lines: list[Line], label: str, factor: float
) -> Figure:
    with look():
        figure, (pair,) = rows_of_panels(scale, [label], 1.75)
        ends: list[float] = [0.0]
        for place, line in enumerate(lines):
            curve = columns.curves[line.name]
            pair.line(curve, factor, Look(line.label, LOOKS[place]))
            ends += [factor * curve.statistics.min, factor * curve.statistics.max]
        pair.bounds(*reach(*ends))
        pair.legend()
    return figure


def stiffness_block(
    columns: Columns, plan: Plan | None, scale: Scale, statics: tuple[Static, ...]
) -> Block | None:
    """Return the stiffness as it is judged, with its baseline and what it is held against."""
    if not columns.has(STIFFNESS.name):
        return None
    draw = partial(_draw_stiffness, columns, plan, scale, statics)
    sentence = (*_judged_words(columns, plan), *_checks_words(statics))
    table = _medians_table(columns, plan)
    return Drawn("stiffness", "Stiffness, as it is judged", draw, Told(sentence, table))


def window_of(plan: Plan | None) -> int:
    """Return of how many cycles the median is judged."""
    loss = plan.failure.stiffness_loss if plan is not None else None
    return min(loss.confirm, 100) if loss is not None else UNJUDGED


def baseline_of(columns: Columns, plan: Plan | None) -> Measure | None:
    """Return the median stiffness over the baseline, None where the run did not come so far."""
    if plan is None or plan.cyclic is None or columns.rows < plan.baseline.last:
        return None
    found = columns.median(plan.baseline.first, plan.baseline.last)
    return found if found.value > 0 else None


def loss_measure(loss: float, key: str) -> Measure:
    """Return a loss of stiffness, shown no finer than `LOSS_STEP`."""
    return no_finer(Measure(loss, "%", key, blank=BLANK), LOSS_STEP)


def _judged_words(columns: Columns, plan: Plan | None) -> tuple[Part, ...]:
    window = Measure(window_of(plan), COUNT, "derived.median_window")
    parts: list[Part] = ["The heavy line is the median of the last ", window, " cycles, as judged"]
    base = baseline_of(columns, plan)
    if plan is None or base is None:
        return (*parts, ". There is no baseline: the record does not reach its end.")
    ends = (plan.baseline.first, "first"), (plan.baseline.last, "last")
    first, last = (Measure(number, COUNT, f"derived.baseline.{name}") for number, name in ends)
    end = columns.median(max(columns.rows - window_of(plan) + 1, 1), columns.rows)
    lost = loss_measure(1 - end.value / base.value, "derived.stiffness_loss.last")
    parts += ["; baseline ", base, " over cycles ", first, " to ", last, ", in the end ", end]
    return (*parts, ", a loss of ", lost, *_limit_words(plan), ".")


def _limit_words(plan: Plan) -> tuple[Part, ...]:
    loss = plan.failure.stiffness_loss
    if loss is None:
        return ()
    stop = Measure(loss.stop, "%", "derived.loss.stop")
    if loss.warn is None:
        return (" (stop at ", stop, ")")
    return (" (warning at ", Measure(loss.warn, "%", "derived.loss.warn"), ", stop at ", stop, ")")


def _checks_words(statics: tuple[Static, ...]) -> tuple[Part, ...]:
    """Return that comparison as a sentence of its own."""
    found = against_first_check(statics)
    return (" Static checks: ", *found, ".") if found else ()


def against_first_check(statics: tuple[Static, ...]) -> tuple[Part, ...]:
    """Return how the last static check compares with the first after cracking, a fixed reference.

    Empty where there are not two between cycles: those before the first are from no load on, and
    not to be compared.
    """
    known = [s for s in statics if s.cycle > 0 and s.stiffness > 0 and s.reopening_load > 0]
    if len(known) < 2:
        return ()
    first, last = known[0], known[-1]
    lost = loss_measure(1 - last.stiffness / first.stiffness, "derived.static_loss")
    return (
        _stiffness_of(first),
        " in the first after cracking that was made between cycles, at cycle ",
        Measure(first.cycle, COUNT, f"static.{first.index}.cycle"),
        "; ",
        _stiffness_of(last),
        " in the last, at cycle ",
        Measure(last.cycle, COUNT, f"static.{last.index}.cycle"),
        ": a loss of ",
        lost,
        " against that fixed reference",
    )


def _stiffness_of(static: Static) -> Measure:
    return Measure(static.stiffness, "N/m", f"static.{static.index}.stiffness", 4)


def _medians_table(columns: Columns, plan: Plan | None) -> Table:
    """Return the medians at 1, 10, 100 ... cycles, and what is lost against the baseline."""
    window, base = window_of(plan), baseline_of(columns, plan)
    single = by_decades(columns, [STIFFNESS])
    rows: list[tuple[Cell, ...]] = []
    for number, row in zip(columns.curves["stiffness"].at, single.rows, strict=False):
        if number < window:
            rows.append((*row, "too few cycles", ""))
            continue
        median = columns.median(number - window + 1, number)
        rows.append((*row, median, _lost(median, base, number)))
    rows += [(*row, "", "") for row in single.rows[len(rows) :]]
    return Table((*single.heads, "Median of the last cycles", "Lost against baseline"), tuple(rows))


def _lost(median: Measure, base: Measure | None, number: int) -> Cell:
    if base is None:
        return "no baseline"
    key = f"derived.stiffness_loss.at.{number}"
    return loss_measure(1 - median.value / base.value, key)


def _draw_stiffness(
    columns: Columns, plan: Plan | None, scale: Scale, statics: tuple[Static, ...]
) -> Figure:
    with look():
        figure, (pair,) = rows_of_panels(scale, ["stiffness [kN/mm]"], 2.1)
        found = columns.curves["stiffness"]
        pair.line(found, _KN_MM, Look("single cycles", {"color": PALE, "linestyle": "-"}, 0.7))
        ends = [_KN_MM * found.statistics.min, _KN_MM * found.statistics.max]
        window = window_of(plan)
        medians = [
            _medians(columns.stiffness, edges, window)
            for edges in (log_edges(columns.rows), even_edges(columns.rows))
        ]
        pair.points(medians[0], medians[1], _KN_MM, Look(f"median of {window}", LOOKS[0], 1.5))
        known = [s for s in statics if s.cycle >= 0 and s.stiffness == s.stiffness]
        if known:
            values = [_KN_MM * s.stiffness for s in known]
            style = {"marker": "s", "color": LOOKS[1]["color"], "markerfacecolor": "white"}
            pair.marks([s.cycle for s in known], values, "static checks", **style)
            ends += values
        ends += _levels(pair, columns, plan)
        pair.bounds(*reach(*ends))
        pair.legend()
    return figure


def _medians(stiffness: Values, edges: Places, window: int) -> Points:
    rows = edges[1:] - 1
    return Points(rows + 1, trailing_median(stiffness, rows, window))


def _levels(pair: Pair, columns: Columns, plan: Plan | None) -> list[float]:
    """Draw baseline, warning and stop; return where they are [kN/mm]."""
    base = baseline_of(columns, plan)
    if plan is None or base is None:
        return []
    high = _KN_MM * base.value
    first, last = plan.baseline.first, plan.baseline.last
    over = 100.0 / pair.scale.cycles
    pair.log.axvspan(first, last, color="#e4e4e4", linewidth=0)
    pair.share.axvspan(first * over, last * over, color="#e4e4e4", linewidth=0)
    words = "baseline (over the grey band)"
    pair.level(high, words, dash=(0, (6, 2, 1, 2)), colour=GREY, under=True)
    loss = plan.failure.stiffness_loss
    if loss is None:
        return [high]
    pair.level((1 - loss.stop) * high, f"stop: {loss.stop:.0%} lost".replace("%", " %"), dash="-")
    if loss.warn is not None:
        words = f"warning: {loss.warn:.0%} lost".replace("%", " %")
        pair.level((1 - loss.warn) * high, words)
    return [high, (1 - loss.stop) * high]
