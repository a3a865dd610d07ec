"""The figures of a comparison: lives, product-limit curves, ultimate loads."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.record.trouble import storage
from rig.report.lives_look import (
    FORMATS,
    GREY,
    MODES,
    SETTINGS,
    UNTOLD,
    colour,
    cycles_axis,
    plain,
    style,
    write,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.lives.comparison import Comparison, GroupTold
    from rig.lives.grouped import LifeGroup, UltimateGroup
    from rig.samples import FloatArray

MEASURES: Final = (
    ("levels", 100.0, "upper load, % of capacity"),
    ("concrete", 100.0, "top concrete stress, % of strength"),
    ("tendon", 1e-6, "tendon stress range [MPa]"),
)
"""What lives are drawn against: a name of `LifeGroup`, its factor, its label."""
LEAST_SPREAD: Final = 0.005
"""Share of a measure by which it must differ to be drawn: one level needs no axis."""
JITTER: Final = 0.24
"""Half the height of a row over which its marks are spread."""
ARROW: Final = 0.14
"""Length of the arrow of a run-out, in decades."""
MOST_NAMES: Final = 12
"""Specimens of a group that are named in the figure; more would cover each other."""


def figures_of(told: Comparison) -> dict[str, Callable[[Figure, Comparison], None]]:
    """Return what draws each figure there is something to draw in, by the name of its file."""
    found: dict[str, Callable[[Figure, Comparison], None]] = {}
    if any(len(group.lives.cycles) for group in told.groups):
        found |= {"lives": _draw_lives, "survival": _draw_curves}
    if any(len(group.loads) or len(group.residual) for group in told.ultimates):
        found["ultimate"] = _draw_ultimates
    return found


def files_of(told: Comparison, folder: Path) -> list[Path]:
    """Return the files that `draw_comparison` writes into a folder."""
    return [folder / f"{name}{suffix}" for name in figures_of(told) for suffix in FORMATS]


def draw_comparison(told: Comparison, folder: Path) -> list[Path]:
    """Draw the figures of a comparison into a folder, which is made; return their files.

    Raises StorageError where they cannot be written.
    """
    # Imported late: matplotlib would slow down every command.
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with storage(folder, "make the folder"):
        folder.mkdir(parents=True, exist_ok=True)
    with rc_context(SETTINGS):
        for name, draw in figures_of(told).items():
            figure = Figure(layout="constrained")
            FigureCanvasAgg(figure)
            draw(figure, told)
            write(figure, folder, name)
    return files_of(told, folder)


# Lives.


def _draw_lives(figure: Figure, told: Comparison) -> None:
    """Draw a row of lives for each group, then lives against each measure that differs."""
    groups = [(i, g) for i, g in enumerate(told.groups) if len(g.lives.cycles)]
    measures = [m for m in MEASURES if _differs([g.lives for _, g in groups], m[0])]
    tall = max(2.6, 1.1 + 0.75 * len(groups), 4.2 if measures else 0.0)
    figure.set_size_inches(7.5 + 4.2 * len(measures), tall + 0.9)
    figure.suptitle(_title(told, "lives"), fontsize=11)
    widths = [1.5, *(1.0 for _ in measures)]
    panels = figure.subplots(1, len(widths), width_ratios=widths, squeeze=False)[0]
    cycles = np.concatenate([g.lives.cycles for _, g in groups])
    for axes in panels:
        plain(axes)
        cycles_axis(axes, float(cycles.min()), float(cycles.max()))
    rows = panels[0]
    for row, (index, group) in enumerate(groups):
        heights = row + _spread(group.lives.cycles)
        _marks(rows, group.lives, heights, colour(index))
        if len(heights) <= MOST_NAMES:
            _names(rows, group.lives, heights)
    names = [f"{g.lives.name}\n{_counted(g.lives)}" for _, g in groups]
    rows.set_yticks(range(len(groups)), names)
    rows.set_ylim(len(groups) - 0.5, -0.5)
    rows.grid(visible=False, axis="y")
    for axes, (name, factor, label) in zip(panels[1:], measures, strict=True):
        axes.set_ylabel(label)
        for index, group in groups:
            _marks(axes, group.lives, factor * getattr(group.lives, name), colour(index))
        if name == "levels":
            _line(axes, told)
    _key(figure, told)


def _differs(groups: list[LifeGroup], name: str) -> bool:
    values = np.concatenate([getattr(group, name) for group in groups])
    known = values[np.isfinite(values)]
    return known.size > 1 and bool(np.ptp(known) > LEAST_SPREAD * np.abs(known).max())


def _spread(cycles: FloatArray) -> FloatArray:
    """Return how far each mark stands off its row, so that like lives do not hide each other."""
    order = np.argsort(np.argsort(cycles, kind="stable"), kind="stable")
    steps = np.array([0.0, -1.0, 1.0]) if len(cycles) > 2 else np.linspace(-0.5, 0.5, len(cycles))
    return JITTER * steps[order % len(steps)] if len(cycles) > 1 else np.zeros(len(cycles))


def _marks(axes: Axes, group: LifeGroup, heights: FloatArray, ink: str) -> None:
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
    axes.errorbar(x, y, xerr=reach, xlolims=True, fmt="none", ecolor=ink, elinewidth=1.2)
    axes.plot(x, y, UNTOLD, color=ink, markerfacecolor="white", markeredgewidth=1.3, markersize=8)


def _names(axes: Axes, group: LifeGroup, heights: FloatArray) -> None:
    for name, x, y in zip(group.specimens, group.cycles, heights, strict=True):
        axes.annotate(
            name,
            (x, y),
            xytext=(0, -6),
            textcoords="offset points",
            ha="center",
            va="top",
            fontsize=7,
            color=GREY,
        )


def _line(axes: Axes, told: Comparison) -> None:
    """Draw the S-N line of all groups together; median lives, run-outs counted as such."""
    line = told.sn[0]
    if line is None:
        return
    levels = np.concatenate([g.lives.levels for g in told.groups])
    at = np.linspace(np.nanmin(levels), np.nanmax(levels), 50)
    axes.plot(
        np.exp(line.a + line.b * at), 100 * at, color=GREY, linewidth=1.2, label="S-N, all groups"
    )
    axes.legend(frameon=False, fontsize=8)


def _counted(group: LifeGroup) -> str:
    failures = int(group.failed.sum())
    rest = len(group.cycles) - failures
    return f"{failures} failed" + (f", {rest} did not" if rest else "")


def _key(figure: Figure, told: Comparison) -> None:
    """Draw below the panels what each sign means, of those that are there."""
    from matplotlib.lines import Line2D

    failed = {
        mode
        for g in told.groups
        for mode, did in zip(g.lives.modes, g.lives.failed, strict=True)
        if did
    }
    signs = [(mode, sign) for mode, sign in MODES.items() if mode in failed]
    if None in failed:
        signs.append(("failed, mode not told", UNTOLD))
    handles = [
        Line2D([], [], linestyle="", marker=sign, color=GREY, markersize=7, label=name)
        for name, sign in signs
    ]
    if not all(bool(g.lives.failed.all()) for g in told.groups):
        words = "run-out" if told.mode is None else f"run-out, or ended by other than {told.mode}"
        hollow = {"markerfacecolor": "white", "markeredgecolor": GREY}
        handles.append(
            Line2D([], [], linestyle="", marker=UNTOLD, markersize=7, label=words, **hollow)
        )
    figure.legend(handles=handles, loc="outside lower center", ncols=4, frameon=False, fontsize=8)


def _title(told: Comparison, what: str) -> str:
    mode = f", failures by {told.mode} only" if told.mode else ""
    return f"{told.title}: {what}{mode}"


# Product-limit curves.


def _draw_curves(figure: Figure, told: Comparison) -> None:
    figure.set_size_inches(8.0, 4.8)
    figure.suptitle(_title(told, "share that has not failed"), fontsize=11)
    axes = figure.add_subplot()
    plain(axes)
    cycles = np.concatenate([g.lives.cycles for g in told.groups])
    cycles_axis(axes, float(cycles.min()), float(cycles.max()))
    for index, group in enumerate(told.groups):
        if group.curve is not None:
            _curve(axes, group, index)
    axes.set_ylim(-3, 105)
    axes.set_ylabel("not failed (product limit) [%]")
    axes.legend(
        title=f"band: {told.confidence * 100:.3g} % of one group", frameon=False, fontsize=8
    )


def _curve(axes: Axes, group: GroupTold, index: int) -> None:
    """Draw the steps of a group up to its last count, its band, and a tick at each run-out."""
    curve, lives = group.curve, group.lives
    if curve is None:
        return
    start, last = axes.get_xlim()[0], float(lives.cycles.max())
    ink = colour(index)
    times = np.concatenate([[start], curve.times, [max(last, start)]])

    def steps(values: FloatArray, first: float) -> FloatArray:
        return 100 * np.concatenate([[first], values, values[-1:] if len(values) else [first]])

    share = steps(curve.survival, 1.0)
    axes.fill_between(
        times,
        steps(curve.low, 1.0),
        steps(curve.high, 1.0),
        step="post",
        color=ink,
        alpha=0.12,
        linewidth=0,
    )
    label = f"{lives.name}: {_counted(lives)}"
    axes.step(times, share, style(index), where="post", color=ink, linewidth=1.8, label=label)
    ended = lives.cycles[~lives.failed]
    at = share[np.searchsorted(times, ended, side="right") - 1]
    axes.plot(ended, at, "|", color=ink, markersize=11, markeredgewidth=1.6)


# Ultimate loads.


def _draw_ultimates(figure: Figure, told: Comparison) -> None:
    groups = [(i, g) for i, g in enumerate(told.ultimates) if len(g.loads) or len(g.residual)]
    figure.set_size_inches(max(4.5, 2.2 + 1.3 * len(groups)), 4.6)
    figure.suptitle(_title(told, "ultimate loads"), fontsize=11, wrap=True)
    axes = figure.add_subplot()
    plain(axes)
    axes.grid(visible=False, axis="x")
    for place, (index, group) in enumerate(groups):
        _loads(axes, group, place, colour(index))
    axes.set_xticks(range(len(groups)), [f"{g.name}\n(n = {len(g.loads)})" for _, g in groups])
    axes.set_xlim(-0.6, len(groups) - 0.4)
    axes.margins(y=0.15)
    hollow = (
        "; hollow: residual, after a run-out" if any(len(g.residual) for _, g in groups) else ""
    )
    axes.set_xlabel(f"bar: mean{hollow}")
    axes.set_ylabel("ultimate load [kN] (does not begin at 0)")


def _loads(axes: Axes, group: UltimateGroup, place: int, ink: str) -> None:
    """Draw each load as a point beside its neighbours, the mean as a bar, residual ones hollow."""
    points = 1e-3 * group.loads
    axes.plot(place + 0.5 * _spread(group.loads), points, "o", color=ink, markersize=7, alpha=0.85)
    if points.size:
        axes.plot([place - 0.25, place + 0.25], [points.mean()] * 2, color=ink, linewidth=1.8)
    residual = 1e-3 * group.residual
    axes.plot(
        place + 0.3 + 0.3 * _spread(residual),
        residual,
        "^",
        color=ink,
        markerfacecolor="white",
        markersize=7,
    )
