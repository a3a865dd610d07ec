"""Figures of runs, drawn from run.h5: the stiffness of specimens over their cycles."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.errors import StorageError
from rig.protocol.plan import Plan
from rig.record.reader import read_run
from rig.record.trouble import storage

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FloatArray = NDArray[np.float64]

POINTS: Final = 1500
"""Points drawn of a curve: more than a figure of this width can show."""
SHOWN_FROM: Final = 100  # [cycles]: earlier the median has too few cycles
COLOURS: Final = ("#0b4f8a", "#b4500f", "#3d6b21", "#6d2b74")
STYLES: Final = ("-", "--", "-.", ":")
"""Curves differ by line as well: a print may have no colour."""
MARKS: Final = {"failure": "X", "run-out": ">", "ultimate": "^"}


@dataclass(frozen=True, slots=True)
class StiffnessCurve:
    """The stiffness of one specimen as a share of its baseline.

    `number` counted cycles up to the verdict, `share` the median stiffness about each over the
    baseline, both of shape (n,), n at most `POINTS`. `wet` are the first and last cycle of each
    stretch with water on, shape (k, 2). `baseline` are the first and last cycle of it, `warn` and
    `stop` the losses (fractions) of the protocol or None.
    """

    label: str
    number: FloatArray
    share: FloatArray
    wet: FloatArray
    baseline: tuple[int, int]
    warn: float | None
    stop: float | None
    outcome: str
    cycles: int


def stiffness_curve(path: Path, plan: Plan) -> StiffnessCurve:
    """Return the curve of a run that was made from a plan; `path` is its folder or run.h5.

    Raises StorageError where the run has no baseline yet.
    """
    with read_run(path) as run:
        kept = slice(0, run.cycles)
        number, stiffness, wet = (
            run.column(name)[kept].astype(float) for name in ("number", "stiffness", "wet")
        )
        outcome, cycles = run.outcome, run.cycles
    first, last = plan.baseline.first, plan.baseline.last
    settled = stiffness[(number >= first) & (number <= last)]
    if len(number) < last or not settled.size:
        raise StorageError(f"{path}: ended before cycle {last:,}, where its baseline is complete")
    loss = plan.failure.stiffness_loss
    at, median = _medians(stiffness / np.nanmedian(settled), loss.confirm if loss else 100)
    return StiffnessCurve(
        label=f"{plan.specimen_id}, {plan.exposure}",
        number=number[at],
        share=median,
        wet=_stretches(number, wet != 0),
        baseline=(first, last),
        warn=loss.warn if loss else None,
        stop=loss.stop if loss else None,
        outcome=outcome,
        cycles=cycles,
    )


def _stretches(number: FloatArray, wet: NDArray[np.bool_]) -> FloatArray:
    """Return first and last number of each stretch of wet cycles, shape (k, 2)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wet, [False]])))
    return np.stack([number[edges[::2]], number[edges[1::2] - 1]], axis=1)


def _medians(values: FloatArray, window: int) -> tuple[NDArray[np.int64], FloatArray]:
    """Return rows spread as a logarithmic and a linear axis shows them, and medians up to each.

    The median of the last `window` cycles is what the criterion judges.
    """
    rows = len(values)
    spread = np.concatenate([np.geomspace(1, rows, POINTS // 2), np.linspace(1, rows, POINTS // 2)])
    at = np.unique(np.round(spread).astype(np.int64)) - 1
    return at, np.array([np.nanmedian(values[max(i - window + 1, 0) : i + 1]) for i in at])


def draw_stiffness(curves: Sequence[StiffnessCurve], title: str, path: Path) -> None:
    """Draw the curves into a PNG file. Raises StorageError where it cannot be written."""
    # Imported late: matplotlib would slow down every command.
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.0, 5.4), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.set_xscale("log")
    for curve, colour, style in zip(curves, COLOURS, STYLES, strict=False):
        _draw(axes, curve, colour, style)
    _bounds(axes, curves)
    axes.set_title(title)
    axes.set_xlabel("load cycles (log scale)")
    axes.set_ylabel("stiffness, % of baseline")
    axes.set_ylim(0, 110)
    axes.set_xlim(SHOWN_FROM, 4 * max(curve.cycles for curve in curves))
    axes.grid(visible=True, which="major", color="#d9d9d9", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.xaxis.set_major_formatter(_thousands)
    axes.legend(loc="center left", bbox_to_anchor=(0.01, 0.3), frameon=False)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    with storage(path, "write the figure"):
        figure.savefig(path, dpi=150)


def _draw(axes: Axes, curve: StiffnessCurve, colour: str, style: str) -> None:
    share = 100 * curve.share
    if len(curve.wet):
        spans = [(first, last - first) for first, last in curve.wet]
        label = f"{curve.label}: water on"
        axes.broken_barh(spans, (0, 3), color=colour, alpha=0.45, linewidth=0, label=label)
    axes.plot(
        curve.number, share, style, color=colour, linewidth=1.6, label=f"{curve.label}: stiffness"
    )
    end = curve.number[-1], share[-1]
    axes.plot(*end, MARKS.get(curve.outcome, "o"), color=colour, markersize=9)
    axes.annotate(
        f"{curve.outcome}\n{curve.cycles:,} cycles",
        end,
        xytext=(8, 6),
        textcoords="offset points",
        color=colour,
        fontsize=9,
    )


def _bounds(axes: Axes, curves: Iterable[StiffnessCurve]) -> None:
    """Draw what the protocols judge by: baseline, warning and stop, each once."""
    windows = {curve.baseline for curve in curves}
    for first, last in windows:
        axes.axvspan(first, last, color="#e8e8e8", label=f"baseline, {first:,} to {last:,}")
    bounds = {("warning", c.warn) for c in curves} | {("stop", c.stop) for c in curves}
    for name, loss in sorted((n, v) for n, v in bounds if v is not None):
        height, line = 100 * (1 - loss), "-" if name == "stop" else ":"
        axes.axhline(height, color="#a00000", linestyle=line, linewidth=1.1)
        axes.annotate(
            f"{name}: {loss:.0%} lost",
            (0.0, height),
            xycoords=axes.get_yaxis_transform(),
            xytext=(4, 3),
            textcoords="offset points",
            color="#a00000",
            fontsize=9,
        )


def _thousands(count: float, _place: Any) -> str:
    return f"{count:,.0f}"
