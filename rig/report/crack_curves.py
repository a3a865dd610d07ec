"""Figures of cracks over cycles: widths, lengths, and total lengths by direction."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rig.record.cracks import DIRECTIONS
from rig.report.crack_growth import UNTOLD, CrackGrowth, CrackKey, Inspection
from rig.report.crack_text import LOOK, short
from rig.report.figures import COLOURS, STYLES
from rig.report.lives_look import plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NAMED: Final = 12
"""Cracks with a look and a name of their own: those with the largest values; the rest is grey."""
SIZE: Final = (7.08, 3.4)
"""Of a figure [in]."""
MARKS: Final = ("o", "s", "^", "D", "v", "P")
GREY: Final = "#a0a0a0"
AFTER: Final = "#d9d9d9"
_WORDS: Final = 7.0
_APART: Final = 0.05
"""Distance of names at the right edge, as a share of the height."""
_ROOM: Final = 30.0
"""Width of the names at the right edge [mm]."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A crack over the inspections, or a total: `values` [m], NaN where not read or not there.

    `cycles` of the inspections as a logarithmic axis shows them; `gaps` are those at which the
    crack was known and not read.
    """

    name: str
    cycles: tuple[float, ...]
    values: tuple[float, ...]
    gaps: tuple[float, ...] = ()

    @property
    def largest(self) -> float:
        """The largest value, 0 where none was read."""
        return max((value for value in self.values if not math.isnan(value)), default=0.0)


def curves_of(growth: CrackGrowth, quantity: str) -> tuple[Curve, ...]:
    """Return the "width" or "length" of each crack, those with the largest values first."""
    shown = shown_at(growth.inspections)
    found: dict[CrackKey, tuple[str, dict[int, float]]] = {}
    for n, at in enumerate(growth.inspections):
        for mark in at.marks:
            name = f"{mark.label.strip() or '(no label)'} {mark.face}"
            found.setdefault(mark.key, (name, {}))[1][n] = getattr(mark.now, quantity)
    curves = [
        Curve(
            name=name,
            cycles=shown,
            values=tuple(values.get(n, math.nan) for n in range(len(shown))),
            gaps=tuple(shown[n] for n, value in values.items() if math.isnan(value)),
        )
        for name, values in found.values()
    ]
    return tuple(sorted(curves, key=lambda curve: -curve.largest))


def totals_of(growth: CrackGrowth) -> tuple[Curve, ...]:
    """Return the total length of the cracks of each direction that there are."""
    shown = shown_at(growth.inspections)
    return tuple(
        Curve(
            name=direction or "direction not told",
            cycles=shown,
            values=tuple(at.total(direction).length for at in growth.inspections),
        )
        for direction in (*DIRECTIONS, UNTOLD)
        if direction in {"flexural", "longitudinal"}
        or any(at.total(direction).marks for at in growth.inspections)
    )


def shown_at(inspections: Sequence[Inspection]) -> tuple[float, ...]:
    """Return where counts of cycles stand on a logarithmic axis: none yet, at the left edge."""
    edge = _edge(inspections)
    return tuple(float(at.cycle) if at.cycle > 0 else edge for at in inspections)


def _edge(inspections: Sequence[Inspection]) -> float:
    """Return where no cycle at all stands: a decade below the decade of the first count."""
    first = min((at.cycle for at in inspections if at.cycle > 0), default=10)
    return float(10.0 ** (math.floor(math.log10(first)) - 1))


def growth_figure(growth: CrackGrowth, quantity: str) -> Figure:
    """Return the figure of the "width" or "length" of each crack over cycles."""
    curves = curves_of(growth, quantity)
    return _figure(growth, curves, f"crack {quantity} [mm]", NAMED)


def totals_figure(growth: CrackGrowth) -> Figure:
    """Return the figure of total length by direction: longitudinal beside flexural cracks."""
    return _figure(growth, totals_of(growth), "total length of marks [mm]", len(DIRECTIONS) + 1)


def _figure(growth: CrackGrowth, curves: Sequence[Curve], what: str, named: int) -> Figure:
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with rc_context(LOOK):
        figure = Figure(figsize=SIZE)
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0.1, 0.14, 0.675, 0.77))
        plain(axes)
        _axes(axes, growth, curves, what)
        for curve in reversed(curves[named:]):
            axes.plot(curve.cycles, _mm(curve), ".-", color=GREY, linewidth=0.5, markersize=3)
        for n, curve in enumerate(curves[:named]):
            _draw(axes, curve, n)
        _names(axes, curves, named)
        if any(curve.gaps for curve in curves):
            _gaps(axes, curves)
    return figure


def _mm(curve: Curve) -> list[float]:
    return [1e3 * value for value in curve.values]


def _look(n: int) -> tuple[str, str, str]:
    row = n // len(COLOURS)
    return COLOURS[n % len(COLOURS)], STYLES[(n + row) % len(STYLES)], MARKS[n % len(MARKS)]


def _draw(axes: Axes, curve: Curve, n: int) -> None:
    colour, style, mark = _look(n)
    axes.plot(
        curve.cycles,
        _mm(curve),
        color=colour,
        linestyle=style,
        linewidth=0.9,
        marker=mark,
        markersize=4.5,
        gid=f"curve-{n}",
    )


def _axes(axes: Axes, growth: CrackGrowth, curves: Sequence[Curve], what: str) -> None:
    """Set axes that have room for every value, with a tick for no cycle yet where there is one."""
    counts = [at.cycle for at in growth.inspections if at.cycle > 0]
    edge, most = _edge(growth.inspections), max([10, *counts])
    none_yet = any(at.cycle <= 0 for at in growth.inspections)
    axes.set_xscale("log")
    low, high = edge if none_yet else min([most, *counts]) / 1.6, most * 1.6
    if not none_yet and math.floor(math.log10(high)) - math.ceil(math.log10(low)) < 1:
        # An axis has two numbers at least.
        low = 10.0 ** math.floor(math.log10(low))
        high = 10.0 ** math.ceil(math.log10(high))
    axes.set_xlim(low / (1.4 if none_yet else 1), high)
    decades = [10**d for d in range(19) if (1.01 * edge if none_yet else low) <= 10**d <= high]
    ticks = [float(count) for count in decades[:: math.ceil(len(decades) / 8) or 1]]
    words = [f"{tick:,.0f}" for tick in ticks]
    if none_yet:
        ticks, words = [edge, *ticks], ["0", *words]
    axes.set_xticks(ticks, words)
    axes.minorticks_off()
    axes.set_xlabel(
        "load cycles (log scale" + ("; none yet at the left edge)" if none_yet else ")")
    )
    axes.set_ylabel(what)
    highest = 1e3 * max((curve.largest for curve in curves), default=0.0)
    axes.set_ylim(0, 1.12 * highest or 1.0)
    _after_end(axes, growth, low)


def _after_end(axes: Axes, growth: CrackGrowth, low: float) -> None:
    """Mark what was read after the end: without load cracks are narrower."""
    late = [max(float(at.cycle), low) for at in growth.inspections if at.after_end]
    for cycle in late[:1]:
        axes.axvline(cycle, color=AFTER, linewidth=5, zorder=0.5, gid="after-end")
        where = axes.get_xaxis_transform()
        words = "read after the end too "
        axes.text(cycle, 0.97, words, transform=where, fontsize=_WORDS, ha="right", va="top")


def _names(axes: Axes, curves: Sequence[Curve], named: int) -> None:
    """Write names at the right edge, each beside the last value of its curve as far as is room."""
    top = axes.get_ylim()[1]
    ends = []
    for n, curve in enumerate(curves[:named]):
        read = [value for value in curve.values if not math.isnan(value)]
        ends.append((1e3 * read[-1] / top if read else 0.0, n))
    height = -1.0
    places = []
    for end, n in sorted(ends):
        height = max(end, height + _APART)
        places.append((height, n))
    over = max(0.0, height - 1.0)
    for height, n in places:
        colour, style, mark = _look(n)
        y = height - over
        axes.plot(
            [1.015, 1.05],
            [y, y],
            color=colour,
            linestyle=style,
            linewidth=0.9,
            clip_on=False,
            transform=axes.transAxes,
        )
        axes.plot(
            [1.0325],
            [y],
            color=colour,
            marker=mark,
            markersize=4,
            clip_on=False,
            transform=axes.transAxes,
        )
        axes.text(
            1.06,
            y,
            short(curves[n].name, _ROOM, _WORDS),
            transform=axes.transAxes,
            fontsize=_WORDS,
            va="center",
            color=colour,
        )
    if len(curves) > named:
        axes.text(
            1.015,
            1.06,
            f"grey: {len(curves) - named} more",
            transform=axes.transAxes,
            fontsize=_WORDS,
            color="#606060",
        )


def _gaps(axes: Axes, curves: Sequence[Curve]) -> None:
    """Mark where cracks that were known were not read."""
    at = sorted({gap for curve in curves for gap in curve.gaps})
    axes.plot(
        at,
        [0.02] * len(at),
        "x",
        color="#606060",
        markersize=5,
        clip_on=False,
        transform=axes.get_xaxis_transform(),
        gid="not-read",
    )
    axes.text(
        0.0,
        1.03,
        "x: a known crack was not read; its line is broken there",
        transform=axes.transAxes,
        fontsize=_WORDS,
        color="#606060",
    )
