"""The figure of product-limit curves: the share of each group that has not failed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rig.report.lives_look import colour, counted, cycles_axis, plain, style, title_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.lives.comparison import Comparison, GroupTold
    from rig.samples import FloatArray


def draw_curves(figure: Figure, told: Comparison) -> None:
    """Draw the curve of each group with its band."""
    figure.set_size_inches(8.0, 4.8)
    figure.suptitle(title_of(told, "share that has not failed"), fontsize=11)
    axes = figure.add_subplot()
    plain(axes)
    cycles = np.concatenate([g.lives.cycles for g in told.groups])
    cycles_axis(axes, float(cycles.min()), float(cycles.max()))
    for index, group in enumerate(told.groups):
        if group.curve is not None:
            draw_curve(axes, group, index)
    axes.set_ylim(-3, 105)
    axes.set_ylabel("not failed (product limit) [%]")
    handles, labels = axes.get_legend_handles_labels()
    words = f"band: {told.confidence * 100:.3g} % of each step by itself; |: run-out"
    figure.legend(
        handles,
        labels,
        title=words,
        title_fontsize=8,
        loc="outside lower center",
        ncols=3,
        frameon=False,
        fontsize=8,
    )


def draw_curve(axes: Axes, group: GroupTold, index: int) -> None:
    """Draw the steps of a group up to its last count, its band, and a tick at each run-out.

    Before the first failure the band begins at what so few specimens can tell.
    """
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
        steps(curve.low, curve.low_before),
        steps(curve.high, 1.0),
        step="post",
        color=ink,
        alpha=0.12,
        linewidth=0,
    )
    label = f"{lives.name}: {counted(lives)}"
    axes.step(times, share, style(index), where="post", color=ink, linewidth=1.8, label=label)
    ended = lives.cycles[~lives.failed]
    at = share[np.searchsorted(times, ended, side="right") - 1]
    axes.plot(ended, at, "|", color=ink, markersize=11, markeredgewidth=1.6)
