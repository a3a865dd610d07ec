"""The figure of a prediction: curves against debonded length, moment-curvature, lives."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.record.trouble import storage
from rig.report.figures import COLOURS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import SubFigure

    from rig.mechanics.debonding import Curve
    from rig.mechanics.life import Life
    from rig.mechanics.section import State
    from rig.report.debonded_length import Measured

PARTS: Final = {"concrete": COLOURS[0], "tendon": COLOURS[1], "bar": COLOURS[2]}
LOOKS: Final = {"smeared": (COLOURS[0], "-"), "discrete cracks": (COLOURS[1], "--")}
"""Colour and line of each bond model: a print may have no colour."""
AGAINST: Final = (
    ("tendon_stress", 1e-6, "tendon stress [MPa]"),
    ("concrete_top", 1e-6, "top concrete stress [MPa]"),
    ("deflection", 1e3, "deflection [mm]"),
    ("ultimate_moment", 1e-3, "ultimate moment [kNm]"),
)
"""What is drawn against debonded length: a name of `Curve`, its factor, its label."""
_RED: Final = "#a00000"
_GREY: Final = "#707070"
_LONGEST: Final = 12.0
"""Decades up to which a life is drawn: what lives longer is drawn there, with an arrow."""


@dataclass(frozen=True, slots=True)
class Marked:
    """A value worth a line of its own, and its name."""

    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Drawn:
    """All that the figure shows. `moments` [N m] and `run_out` [cycles] are marked."""

    title: str
    subtitle: str
    curves: Sequence[Curve]
    states: Sequence[State]
    moments: Sequence[Marked]
    lives: Sequence[Life]
    run_out: int | None = None
    load_span: float | None = None
    measured: Sequence[Measured] = ()


def draw_prediction(drawn: Drawn, path: Path) -> None:
    """Draw a prediction into a PDF, PNG or SVG file. Raises StorageError where it cannot."""
    # Imported late: matplotlib would slow down every command.
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    # Text stays text in an SVG, and the same prediction gives the same file.
    settings: Any = {
        "svg.fonttype": "none",
        "svg.hashsalt": "nightrig",
        "pdf.fonttype": 42,
        "font.size": 9,
    }
    with storage(path, "write the figure"), rc_context(settings):
        figure = Figure(figsize=(13.5, 8.0 if drawn.curves else 5.0), layout="constrained")
        FigureCanvasAgg(figure)
        figure.suptitle(f"{drawn.title}\n{drawn.subtitle}", fontsize=11)
        # Two rows of their own, so that the long names of models push nothing above them aside.
        rows = figure.subfigures(2 if drawn.curves else 1, 1, squeeze=False)[:, 0]
        if drawn.curves:
            _draw_curves(rows[0], drawn)
        _draw_section_and_lives(rows[-1], drawn)
        figure.savefig(path, dpi=150, metadata=_METADATA.get(path.suffix, {}))


_METADATA: Final[Mapping[str, Mapping[str, None]]] = {
    ".svg": {"Date": None},
    ".pdf": {"CreationDate": None},
}


def _draw_curves(row: SubFigure, drawn: Drawn) -> None:
    panels = row.subplots(1, len(AGAINST))
    for axes, (name, factor, label) in zip(panels, AGAINST, strict=True):
        _plain(axes)
        _against_length(axes, drawn, name, factor, label)
    panels[0].legend(frameon=False, fontsize=8, loc="upper right")


def _draw_section_and_lives(row: SubFigure, drawn: Drawn) -> None:
    widths = [1.0, *([2.2] if drawn.lives else []), *([1.3] if drawn.measured else [])]
    panels = list(row.subplots(1, len(widths), width_ratios=widths, squeeze=False)[0])
    for axes in panels:
        _plain(axes)
    _moment_curvature(panels[0], drawn)
    if drawn.lives:
        _lives(panels[1], drawn.lives, drawn.run_out)
    if drawn.measured:
        _measured(panels[-1], drawn.measured)


def _plain(axes: Axes) -> None:
    axes.grid(visible=True, color="#d9d9d9", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _against_length(axes: Axes, drawn: Drawn, name: str, factor: float, label: str) -> None:
    for curve in drawn.curves:
        values = getattr(curve, name)
        if values is None:
            continue
        colour, line = LOOKS[curve.model]
        axes.plot(1e3 * curve.length, factor * values, line, color=colour, label=curve.model)
    if drawn.load_span is not None:
        axes.axvline(1e3 * drawn.load_span, color=_GREY, linestyle=":", linewidth=1.0)
        axes.annotate(
            "load span",
            (1e3 * drawn.load_span, 0.5),
            xycoords=axes.get_xaxis_transform(),
            xytext=(2, 0),
            textcoords="offset points",
            rotation=90,
            va="center",
            color=_GREY,
            fontsize=8,
        )
    axes.set_xlabel("debonded length [mm]")
    axes.set_ylabel(label)


def _moment_curvature(axes: Axes, drawn: Drawn) -> None:
    curvature = np.array([state.curvature for state in drawn.states])
    moment = np.array([state.moment for state in drawn.states])
    axes.plot(1e3 * curvature, 1e-3 * moment, color=COLOURS[0])
    for mark in drawn.moments:
        axes.axhline(1e-3 * mark.value, color=_RED, linewidth=0.9, linestyle=":")
        axes.annotate(
            f"{mark.name} {1e-3 * mark.value:.3g}",
            (1.0, 1e-3 * mark.value),
            xycoords=axes.get_yaxis_transform(),
            xytext=(-2, 2),
            textcoords="offset points",
            ha="right",
            color=_RED,
            fontsize=8,
        )
    axes.set_xlabel("curvature [1/km]")
    axes.set_ylabel("moment at mid-span, with bond [kNm]")


def _lives(axes: Axes, lives: Sequence[Life], run_out: int | None) -> None:
    """Draw a row for each life: filled for a mean, hollow for a characteristic one."""
    for row, life in enumerate(lives):
        at = min(float(life.log10_cycles), _LONGEST)
        mark = ">" if float(life.log10_cycles) > _LONGEST else "o"
        colour = PARTS[life.part] if life.valid else "#a8a8a8"
        face = colour if life.kind == "mean" else "white"
        axes.plot([0, at], [row, row], color=colour, linewidth=0.8, alpha=0.6)
        axes.plot(at, row, mark, color=colour, markerfacecolor=face, markersize=7, clip_on=False)
    axes.set_yticks(range(len(lives)), [_row_name(life) for life in lives], fontsize=8)
    axes.set_ylim(len(lives) - 0.5, -0.5)
    axes.set_xlim(0, _LONGEST + 0.3)
    axes.set_xlabel(
        "log10 of cycles (filled: mean, hollow: characteristic, grey: does not hold here)\n"
        "constants mostly from memory; models and sources stand in the printed table"
    )
    if run_out is not None:
        axes.axvline(np.log10(run_out), color=_RED, linewidth=1.1)
        axes.annotate(
            f"run-out {run_out:,}",
            (np.log10(run_out), 1.0),
            xycoords=axes.get_xaxis_transform(),
            xytext=(0, 2),
            textcoords="offset points",
            ha="center",
            color=_RED,
            fontsize=8,
        )


def _row_name(life: Life) -> str:
    return f"{life.part}: {life.model}"


def _measured(axes: Axes, runs: Sequence[Measured]) -> None:
    """Draw the lengths over all cycles of the runs, also over those that none explains."""
    for run, colour in zip(runs, COLOURS, strict=False):
        axes.plot(run.number, 1e3 * run.length, ".", markersize=3, color=colour, label=run.label)
    axes.set_xscale("log")
    # Of one cycle too, there is a decade to draw it in.
    axes.set_xlim(0.9, 1.1 * max(10.0, *(float(run.number[-1]) for run in runs)))
    if not any(np.isfinite(run.length).any() for run in runs):
        words = "no length explains the opening"
        axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", color=_GREY, fontsize=8)
    axes.set_xlabel("load cycles (log scale)")
    axes.set_ylabel("debonded length, estimated [mm]")
    # Above the axes: beside points its own mark would pass for one.
    axes.legend(frameon=False, fontsize=8, loc="lower left", bbox_to_anchor=(0.0, 1.0))
