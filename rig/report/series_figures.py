"""The figures of a series report: lives, lives against levels, curves, loads, ratios."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.report.crack_text import LOOK, short
from rig.report.lives_look import GREY, colour, counted, cycles_axis, plain, spread
from rig.report.lives_rows import (
    MEASURES,
    MOST_NAMES,
    draw_line,
    draw_marks,
    draw_names,
    signs,
)
from rig.report.lives_survival import draw_curve
from rig.report.lives_ultimate import draw_loads

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    from rig.lives.comparison import Comparison, GroupTold
    from rig.samples import FloatArray

WIDTH: Final = 7.08
"""[in]: 180 mm."""
MOST_ROWS: Final = 24
"""Groups that have a row, and intervals that have a line, in one figure; all are in the tables."""
_TOP, _LEFT, _RIGHT = 0.12, 1.35, 0.12  # [in]
_ABREAST: Final = 3
"""Entries of a legend in a row."""
_ALONE: Final = 0.45
"""[in] below axes without a legend."""
_ASIDE: Final = (7.0, -13.0, 16.0, -22.0, 25.0, -31.0)
"""[pt] from a mark to the name of its group, so that those at one level do not cover each other."""
_NAME: Final = 30.0  # [mm] for the name of a group


def lives_figure(told: Comparison) -> Figure:
    """Return the figure of lives: a row for each group."""
    groups = _groups(told)[:MOST_ROWS]
    handles = signs(told)
    figure, axes = _figure(0.75 * len(groups) + 0.3, bottom=_foot(len(handles)))
    _cycles(axes, groups)
    for row, (index, group) in enumerate(groups):
        heights = row + spread(group.lives.cycles)
        draw_marks(axes, group.lives, heights, colour(index))
        if len(heights) <= MOST_NAMES:
            draw_names(axes, group.lives, heights)
    names = [f"{_name(g.lives.name)}\n{counted(g.lives)}" for _, g in groups]
    axes.set_yticks(range(len(groups)), names)
    axes.set_ylim(len(groups) - 0.4, -0.6)
    axes.grid(visible=False, axis="y")
    _below(figure, handles, [str(handle.get_label()) for handle in handles])
    return figure


def measures_told(told: Comparison) -> list[tuple[str, float, str]]:
    """Return the measures of level that some life tells, as `MEASURES` has them."""
    return [
        measure
        for measure in MEASURES
        if any(np.isfinite(getattr(g.lives, measure[0])).any() for g in told.groups)
    ]


def levels_figure(told: Comparison) -> Figure:
    """Return the figure of lives against each measure of level that is told."""
    measures, groups = measures_told(told), _groups(told)[:MOST_ROWS]
    handles = [
        *(_ink(_name(g.lives.name, 40.0), index) for index, g in groups),
        *signs(told),
    ]
    figure, panels = _panels(len(measures), 2.5, 0.55, bottom=_foot(len(handles)))
    for axes, (name, factor, label) in zip(panels, measures, strict=True):
        _cycles(axes, groups)
        axes.set_xlabel("load cycles")
        axes.set_ylabel(label, labelpad=2)
        for index, group in groups:
            heights = factor * getattr(group.lives, name)
            draw_marks(axes, group.lives, heights, colour(index))
            _tell(axes, group, heights, index)
        if name == "levels" and told.sn[0] is not None:
            draw_line(axes, told)
        _open(axes)
    _below(figure, handles, [str(handle.get_label()) for handle in handles])
    return figure


def survival_figure(told: Comparison) -> Figure:
    """Return the figure of product-limit curves."""
    groups = _groups(told)[:MOST_ROWS]
    figure, axes = _figure(2.7, left=0.55, bottom=_foot(len(groups)))
    _cycles(axes, groups)
    for index, group in groups:
        draw_curve(axes, group, index)
    axes.set_ylim(-3, 105)
    axes.set_ylabel("not failed (product limit) [%]")
    handles, labels = axes.get_legend_handles_labels()
    _below(figure, handles, [_name(label, 55.0) for label in labels])
    return figure


def ultimates_figure(told: Comparison) -> Figure:
    """Return the figure of ultimate loads, residual ones hollow beside them."""
    groups = [(i, g) for i, g in enumerate(told.ultimates) if len(g.loads) or len(g.residual)]
    groups = groups[:MOST_ROWS]
    figure, axes = _figure(2.6, left=0.6, bottom=0.6)
    plain(axes)
    axes.grid(visible=False, axis="x")
    for place, (index, group) in enumerate(groups):
        draw_loads(axes, group, place, colour(index))
    room = 150.0 / len(groups)
    names = [f"{short(g.name, min(room, 40.0), 7.5)}\nn = {len(g.loads)}" for _, g in groups]
    axes.set_xticks(range(len(groups)), names)
    axes.set_xlim(-0.6, len(groups) - 0.4)
    axes.margins(y=0.15)
    axes.set_ylabel("ultimate load [kN] (does not begin at 0)")
    hollow = (
        "; hollow: residual, after a run-out" if any(len(g.residual) for _, g in groups) else ""
    )
    figure.text(0.5, 0.02, f"bar: mean{hollow}", ha="center", fontsize=7.5)
    return figure


Interval = tuple[str, float | None, float | None, float | None]
"""A ratio with its ends: what it is of, value, low, high."""


def intervals_figure(rows: Sequence[Interval], label: str) -> Figure:
    """Return the figure of ratios with their intervals on a logarithmic axis about 1."""
    rows = [row for row in rows if any(x is not None for x in row[1:])][:MOST_ROWS]
    figure, axes = _figure(0.24 * len(rows) + 0.35, left=2.75, bottom=_ALONE)
    plain(axes)
    known = [x for row in rows for x in (*row[1:], 1.0) if x is not None and x > 0.0]
    low, high = math.log10(min(known)), math.log10(max(known))
    room = max(0.12 * (high - low), 0.04)
    ends = 10 ** (low - room), 10 ** (high + 2 * room)
    axes.set_xscale("log")
    axes.set_xlim(*ends)
    _ratio_ticks(axes, high - low)
    axes.axvline(1.0, color=GREY, linewidth=1.0)
    for place, (_, value, from_, to) in enumerate(rows):
        left, right = from_ or ends[0], to or ends[1]
        axes.plot([left, right], [place, place], "-", color=colour(0), linewidth=1.6)
        for end, sign in ((from_, "|"), (to, "|")):
            if end is not None:
                axes.plot(end, place, sign, color=colour(0), markersize=8, markeredgewidth=1.4)
        if to is None:
            axes.plot(ends[1], place, ">", color=colour(0), markersize=5, clip_on=False)
        if from_ is None:
            axes.plot(ends[0], place, "<", color=colour(0), markersize=5, clip_on=False)
        if value is not None:
            axes.plot(value, place, "o", color=colour(0), markersize=5)
    axes.set_yticks(range(len(rows)), [short(row[0], 65.0, 7.5) for row in rows])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel(label)
    return figure


def under(draw: Callable[[Comparison], Figure], told: Comparison) -> Callable[[], Figure]:
    """Return what draws a figure under the look of reports."""
    return look(partial(draw, told))


def look(draw: Callable[[], Figure]) -> Callable[[], Figure]:
    """Return what draws a figure with words of others as they are, not as formulas."""

    def drawing() -> Figure:
        from matplotlib import rc_context

        with rc_context(LOOK):
            return draw()

    return drawing


def _ratio_ticks(axes: Axes, decades: float) -> None:
    """Set plain numbers as ticks: whole decades, or round numbers where there are few."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullFormatter

    axes.xaxis.set_major_locator(
        LogLocator(base=10) if decades > 1 else FixedLocator(_round_numbers(*axes.get_xlim()))
    )
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{float(f'{x:.3g}'):,g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


def _round_numbers(low: float, high: float) -> list[float]:
    from matplotlib.ticker import MaxNLocator

    found = MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)
    return [float(x) for x in found if low <= x <= high and x > 0.0]


def _groups(told: Comparison) -> list[tuple[int, GroupTold]]:
    return [(i, g) for i, g in enumerate(told.groups) if len(g.lives.cycles)]


def _figure(tall: float, left: float = _LEFT, *, bottom: float) -> tuple[Figure, Axes]:
    """Return a figure of one panel, so tall [in], with fixed margins."""
    figure, (axes,) = _panels(1, tall, left, bottom=bottom)
    return figure, axes


def _panels(many: int, tall: float, left: float, *, bottom: float) -> tuple[Figure, list[Axes]]:
    """Return a figure of panels beside each other, so tall [in], with fixed margins."""
    from matplotlib.figure import Figure

    height = tall + _TOP + bottom
    figure = Figure(figsize=(WIDTH, height))
    figure.subplots_adjust(
        left=left / WIDTH,
        right=1 - _RIGHT / WIDTH,
        top=1 - _TOP / height,
        bottom=bottom / height,
        wspace=0.36,
    )
    return figure, list(figure.subplots(1, many, squeeze=False)[0])


def _cycles(axes: Axes, groups: Sequence[tuple[int, GroupTold]]) -> None:
    plain(axes)
    cycles = np.concatenate([g.lives.cycles for _, g in groups])
    cycles_axis(axes, float(cycles.min()), float(cycles.max()))


def _tell(axes: Axes, group: GroupTold, heights: FloatArray, index: int) -> None:
    """Write name and number of a group at its first mark: marks may cover each other or be grey."""
    known = np.flatnonzero(np.isfinite(heights))
    if not known.size or index >= len(_ASIDE):
        return
    first = known[np.argmin(group.lives.cycles[known])]
    axes.annotate(
        f"{_name(group.lives.name, 20.0)}, {known.size}",
        (group.lives.cycles[first], heights[first]),
        xytext=(-4, _ASIDE[index]),
        textcoords="offset points",
        color=colour(index),
        fontsize=7,
    )


def _open(axes: Axes) -> None:
    """Leave room about levels that are all alike."""
    low, high = axes.get_ylim()
    least = 0.05 * max(abs(low), abs(high), 1e-9)
    if high - low < 2 * least:
        middle = (low + high) / 2
        axes.set_ylim(middle - least, middle + least)


def _name(name: str, width: float = _NAME) -> str:
    return short(name, width, 7.5)


def _ink(name: str, index: int) -> Line2D:
    from matplotlib.lines import Line2D

    return Line2D(
        [],
        [],
        linestyle="",
        marker="|",
        markersize=9,
        markeredgewidth=3,
        color=colour(index),
        label=name,
    )


def _foot(entries: int) -> float:
    """Return the room [in] below axes for their label and a legend of so many entries."""
    return 0.5 + 0.16 * -(-entries // _ABREAST)


def _below(figure: Figure, handles: Sequence[Artist], labels: Sequence[str]) -> None:
    """Draw a legend at the foot, below the axes and their label."""
    figure.legend(
        handles=handles,
        labels=labels,
        loc="lower center",
        bbox_to_anchor=(0.5, 0.0),
        ncols=_ABREAST,
        frameon=False,
        fontsize=7.5,
    )
