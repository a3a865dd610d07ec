"""The last minute of a test and the seconds after it: load, net deflection and stroke."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.report.curve_axes import (
    LOOKS,
    MARGIN,
    RED,
    SMALL,
    WIDTH,
    WORDS,
    framed,
    look,
    new_figure,
    reach,
)
from rig.report.curve_kept import AFTER, BEFORE, Moments
from rig.report.curve_points import extremes
from rig.report.document import Block, Drawn
from rig.report.measure import Cell, Measure, Part, Table, Told

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.samples import FloatArray

CLOSE: Final = (-2.0, 1.0)
"""Seconds about the stop that are drawn larger."""
BINS: Final = 350
_SHOWN: Final = {
    "load": ("load [kN]", 1e-3, "N"),
    "deflection": ("net deflection [mm]", 1e3, "m"),
    "stroke": ("stroke [mm]", 1e3, "m"),
}
_EACH: Final = 1.15
_BETWEEN: Final = 0.3
_CAUSES: Final = {
    "stopping": "the moment at which the program began to stop the test",
    "verdict": "the verdict",
    "end": "the end of the record",
}


def stop_block(found: Moments | None) -> Block | None:
    """Return what happened about the stop, with a closer look at it."""
    if found is None:
        return None
    sentence: tuple[Part, ...] = (
        "From ",
        Measure(BEFORE, "s", "constant.before_stop"),
        " before the stop to ",
        Measure(AFTER, "s", "constant.after_stop"),
        f" after it, as far as it was kept sample by sample; on the right a closer look. The stop "
        f"is {_CAUSES[found.cause]}, at a test time of ",
        Measure(found.at, "s", "derived.stop.time", 5),
        ".",
    )
    if found.verdict != found.at and not math.isnan(found.verdict):
        verdict = Measure(found.verdict, "s", f"events.{found.event}.time", 5)
        sentence += (" The verdict came at ", verdict, ".")
    rows = tuple(_row(found, name) for name in found.channels)
    heads = ("channel", "Smallest before", "Largest before", "Smallest after", "Largest after")
    draw = partial(_draw, found)
    return Drawn("last-minute", "About the stop", draw, Told(sentence, Table(heads, rows)))


def _row(found: Moments, name: str) -> tuple[Cell, ...]:
    words, _, unit = _SHOWN[name]
    before = found.seconds < 0
    cells: list[Cell] = [words.split(" [")[0]]
    for side, kept in (("before", before), ("after", ~before)):
        values = found.channels[name][kept]
        values = values[~np.isnan(values)]
        for what, end in (("min", np.min), ("max", np.max)):
            value = float(end(values)) if values.size else float("nan")
            key = f"derived.stop.{name}.{side}.{what}"
            cells.append(Measure(value, unit, key, 4, blank="not kept"))
    return tuple(cells)


def _draw(found: Moments) -> Figure:
    names = list(found.channels)
    gap, high = 0.14, 0.5 + len(names) * (_EACH + 0.14) + 0.06
    wide, close = 3.9, WIDTH - MARGIN - 3.9 - _BETWEEN - 0.14
    with look():
        figure = new_figure(high)
        for row, name in enumerate(names):
            bottom = high - 0.2 - (row + 1) * (_EACH + gap) + gap
            left = framed(figure, (MARGIN, bottom, wide, _EACH))
            right = framed(figure, (MARGIN + wide + _BETWEEN, bottom, close, _EACH))
            last = row == len(names) - 1
            _channel((left, right), found, name, last=last)
            if not row:
                left.text(
                    0.0,
                    1.02,
                    _mark_words(found),
                    transform=left.get_xaxis_transform(),
                    fontsize=SMALL,
                    color=RED,
                    ha="center",
                    va="bottom",
                )
                right.text(
                    1.0,
                    1.02,
                    "the same, closer",
                    transform=right.transAxes,
                    fontsize=SMALL,
                    ha="right",
                    va="bottom",
                )
    return figure


def _mark_words(found: Moments) -> str:
    if math.isnan(found.verdict):
        return "stop"
    return "verdict and stop" if found.verdict == found.at else "verdict (dotted) and stop"


def _channel(panels: tuple[Axes, Axes], found: Moments, name: str, *, last: bool) -> None:
    label, factor, _ = _SHOWN[name]
    values = found.channels[name]
    low, high = reach(factor * float(np.nanmin(values)), factor * float(np.nanmax(values)))
    for axes, ends in zip(panels, ((-BEFORE, AFTER), CLOSE), strict=True):
        x, y = _thinned(found.seconds, values, ends)
        axes.plot(x, factor * y, color=LOOKS[0]["color"], linewidth=0.7)
        axes.axvline(0.0, color=RED, linewidth=0.9, linestyle=(0, (4, 2)))
        if not math.isnan(found.verdict) and found.verdict != found.at:
            at = found.verdict - found.at
            axes.axvline(at, color="black", linewidth=0.9, linestyle=":")
        axes.set_xlim(*ends)
        axes.set_ylim(low, high)
        axes.tick_params(labelbottom=last)
        if last:
            axes.set_xlabel("time from the stop [s]", fontsize=WORDS)
    panels[1].tick_params(labelleft=False)
    panels[0].set_ylabel(label, fontsize=WORDS)


def _thinned(
    seconds: FloatArray, values: FloatArray, ends: tuple[float, float]
) -> tuple[FloatArray, FloatArray]:
    """Return times and values of the extremes of every bin between two times."""
    inside = np.flatnonzero((seconds >= ends[0]) & (seconds <= ends[1]))
    if not inside.size:
        return np.zeros(0), np.zeros(0)
    first, last = int(inside[0]), int(inside[-1]) + 1
    edges = np.unique(np.round(np.linspace(first, last, BINS + 1)).astype(np.int64))
    rows = extremes(values, edges)
    return seconds[rows], values[rows]
