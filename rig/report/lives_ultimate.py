"""The figure of ultimate loads: each a point, beside the mean of its group."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.report.lives_look import colour, plain, spread, title_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.lives.comparison import Comparison
    from rig.lives.grouped import UltimateGroup


def draw_ultimates(figure: Figure, told: Comparison) -> None:
    """Draw the ultimate loads of each group, residual ones beside them."""
    groups = [(i, g) for i, g in enumerate(told.ultimates) if len(g.loads) or len(g.residual)]
    figure.set_size_inches(max(4.5, 2.2 + 1.3 * len(groups)), 4.6)
    figure.suptitle(title_of(told, "ultimate loads"), fontsize=11, wrap=True)
    axes = figure.add_subplot()
    plain(axes)
    axes.grid(visible=False, axis="x")
    for place, (index, group) in enumerate(groups):
        draw_loads(axes, group, place, colour(index))
    axes.set_xticks(range(len(groups)), [f"{g.name}\n(n = {len(g.loads)})" for _, g in groups])
    axes.set_xlim(-0.6, len(groups) - 0.4)
    axes.margins(y=0.15)
    hollow = (
        "; hollow: residual, after a run-out" if any(len(g.residual) for _, g in groups) else ""
    )
    axes.set_xlabel(f"bar: mean{hollow}")
    axes.set_ylabel("ultimate load [kN] (does not begin at 0)")


def draw_loads(axes: Axes, group: UltimateGroup, place: int, ink: str) -> None:
    """Draw each load as a point beside its neighbours, the mean as a bar, residual ones hollow."""
    points = 1e-3 * group.loads
    axes.plot(place + 0.5 * spread(group.loads), points, "o", color=ink, markersize=7, alpha=0.85)
    if points.size:
        axes.plot([place - 0.25, place + 0.25], [points.mean()] * 2, color=ink, linewidth=1.8)
    residual = 1e-3 * group.residual
    axes.plot(
        place + 0.3 + 0.3 * spread(residual),
        residual,
        "^",
        color=ink,
        markerfacecolor="white",
        markersize=7,
    )
