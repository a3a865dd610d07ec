"""The figure of lives: a row for each group, and lives against each measure that differs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.sn import band
from rig.report.crack_text import short
from rig.report.lives_look import (
    GREY,
    MODES,
    UNTOLD,
    colour,
    counted,
    cycles_axis,
    plain,
    spread,
    title_of,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    from rig.lives.comparison import Comparison
    from rig.lives.grouped import LifeGroup
    from rig.samples import FloatArray

MEASURES: Final = (
    ("levels", 100.0, "upper load, % of capacity"),
    ("concrete", 100.0, "top concrete stress, % of strength"),
    ("tendon", 1e-6, "tendon stress range [MPa]"),
)
"""What lives are drawn against: a name of `LifeGroup`, its factor, its label."""
LEAST_SPREAD: Final = 0.005
"""Share of a measure by which it must differ to be drawn: one level needs no axis."""
ARROW: Final = 0.14
"""Length of the arrow of a run-out, in decades."""
NAME: Final = 25.0
"""[mm] for the name of a specimen."""
MOST_NAMES: Final = 12
"""Specimens of a group that are named in the figure; more would cover each other."""


def draw_lives(figure: Figure, told: Comparison) -> None:
    """Draw a row of lives for each group, then lives against each measure that differs."""
    groups = [(i, g) for i, g in enumerate(told.groups) if len(g.lives.cycles)]
    measures = [m for m in MEASURES if _differs([g.lives for _, g in groups], m[0])]
    tall = max(2.6, 1.1 + 0.75 * len(groups), 4.2 if measures else 0.0)
    figure.set_size_inches(7.5 + 4.2 * len(measures), tall + 0.9)
    figure.suptitle(title_of(told, "lives"), fontsize=11)
    widths = [1.5, *(1.0 for _ in measures)]
    panels = figure.subplots(1, len(widths), width_ratios=widths, squeeze=False)[0]
    cycles = np.concatenate([g.lives.cycles for _, g in groups])
    for axes in panels:
        plain(axes)
        cycles_axis(axes, float(cycles.min()), float(cycles.max()))
    rows = panels[0]
    for row, (index, group) in enumerate(groups):
        heights = row + spread(group.lives.cycles)
        draw_marks(rows, group.lives, heights, colour(index))
        if len(heights) <= MOST_NAMES:
            draw_names(rows, group.lives, heights)
    names = [f"{g.lives.name}\n{counted(g.lives)}" for _, g in groups]
    rows.set_yticks(range(len(groups)), names)
    rows.set_ylim(len(groups) - 0.5, -0.5)
    rows.grid(visible=False, axis="y")
    for axes, (name, factor, label) in zip(panels[1:], measures, strict=True):
        axes.set_ylabel(label)
        for index, group in groups:
            draw_marks(axes, group.lives, factor * getattr(group.lives, name), colour(index))
        if name == "levels":
            draw_line(axes, told)
    _key(figure, told)


def _differs(groups: list[LifeGroup], name: str) -> bool:
    values = np.concatenate([getattr(group, name) for group in groups])
    known = values[np.isfinite(values)]
    return known.size > 1 and bool(np.ptp(known) > LEAST_SPREAD * np.abs(known).max())


def draw_marks(axes: Axes, group: LifeGroup, heights: FloatArray, ink: str) -> None:
    """Draw the lives of a group: a sign for each mode; hollow with an arrow what did not fail."""
    signs = np.array([MODES.get(mode or "", UNTOLD) for mode in group.modes])
    known = np.isfinite(heights)
    for sign in dict.fromkeys(signs):
        of_mode = known & (signs == sign) & group.failed
        axes.plot(
            group.cycles[of_mode],
            heights[of_mode],
            sign,
            color=ink,
            markeredgecolor="white",
            markeredgewidth=0.6,
            markersize=8,
        )
    rest = known & ~group.failed
    x, y = group.cycles[rest], heights[rest]
    if not x.size:
        return
    reach = np.stack([np.zeros(x.size), (10**ARROW - 1) * x])
    axes.errorbar(x, y, xerr=reach, xlolims=True, fmt="none", color=ink, elinewidth=1.2)
    axes.plot(x, y, UNTOLD, color=ink, markerfacecolor="white", markeredgewidth=1.3, markersize=8)


def draw_names(axes: Axes, group: LifeGroup, heights: FloatArray) -> None:
    """Write the names of specimens beside their marks."""
    for name, x, y, failed in zip(
        group.specimens, group.cycles, heights, group.failed, strict=True
    ):
        # An arrow leads to the right of what did not fail.
        axes.annotate(
            short(name, NAME, 7.0),
            (x, y),
            xytext=(6 if failed else -6, 0),
            textcoords="offset points",
            ha="left" if failed else "right",
            va="center",
            fontsize=7,
            color=GREY,
        )


def draw_line(axes: Axes, told: Comparison) -> None:
    """Draw the semi-logarithmic S-N line of all groups together and its band."""
    line = told.sn[0]
    if line is None:
        return
    levels = np.concatenate([g.lives.levels for g in told.groups])
    at = band(line, np.linspace(np.nanmin(levels), np.nanmax(levels), 50), told.confidence)
    percent = 100 * at.stress
    axes.plot(at.cycles, percent, color=GREY, linewidth=1.2, label="S-N, all groups")
    if np.isfinite(at.low).all() and np.isfinite(at.high).all():
        label = f"its band, {told.confidence * 100:.3g} %"
        axes.fill_betweenx(
            percent, at.low, at.high, color=GREY, alpha=0.2, linewidth=0, label=label
        )
    axes.legend(frameon=False, fontsize=8)


def _key(figure: Figure, told: Comparison) -> None:
    """Draw below the panels what each sign means, of those that are there."""
    figure.legend(
        handles=signs(told), loc="outside lower center", ncols=4, frameon=False, fontsize=8
    )


def signs(told: Comparison) -> list[Line2D]:
    """Return a mark for each sign that is there, its meaning as label."""
    from matplotlib.lines import Line2D

    failed = {
        mode
        for g in told.groups
        for mode, did in zip(g.lives.modes, g.lives.failed, strict=True)
        if did
    }
    found = [(mode, sign) for mode, sign in MODES.items() if mode in failed]
    if None in failed:
        found.append(("failed, mode not told", UNTOLD))
    handles = [
        Line2D([], [], linestyle="", marker=sign, color=GREY, markersize=7, label=name)
        for name, sign in found
    ]
    if not all(bool(g.lives.failed.all()) for g in told.groups):
        words = "run-out" if told.mode is None else f"run-out, or ended by other than {told.mode}"
        handles.append(
            Line2D(
                [],
                [],
                linestyle="",
                marker=UNTOLD,
                markersize=7,
                label=words,
                markerfacecolor="white",
                markeredgecolor=GREY,
            )
        )
    return handles
