"""Temperatures and water over the time of a test."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.report.curve_axes import (
    LOOKS,
    MARGIN,
    SMALL,
    WIDTH,
    WORDS,
    framed,
    look,
    new_figure,
    reach,
)
from rig.report.curve_points import even_edges, extremes
from rig.report.curve_statistics import measured
from rig.report.document import Block, Drawn
from rig.report.measure import Cell, Measure, Part, Table, Told, count_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from rig.replay.recording import Recording
    from rig.report.curve_columns import Columns
    from rig.samples import FloatArray

TEMPERATURES: Final[Mapping[str, str]] = {
    "temperature_air": "air",
    "temperature_water": "water",
    "temperature_oil": "oil",
}
_KELVIN: Final = 273.15
_APART: Final = 600
"""Stretches of water that can be told apart in a figure; closer ones are drawn as one."""
_BLUE: Final = "#3f7fb5"
_ROWS: Final = 12
_SPANS: Final = ((4 * 86400.0, 86400.0, "days"), (4 * 3600.0, 3600.0, "h"), (240.0, 60.0, "min"))


@dataclass(frozen=True, slots=True)
class Conditions:
    """Test time [s] and temperatures [K] by channel, thinned; stretches of water [s], (k, 2).

    `end` is the time [s] up to which is drawn.
    """

    temperatures: Mapping[str, tuple[FloatArray, FloatArray]]
    wet: FloatArray
    end: float


def conditions_of(recording: Recording) -> Conditions | None:
    """Return temperatures and water of a recording, None where neither was recorded."""
    names = [n for n in recording.column_names("slow") if n in TEMPERATURES]
    rows = recording.count("slow")
    spray = recording.entries("spray")
    temperatures: dict[str, tuple[FloatArray, FloatArray]] = {}
    end = recording.ended_time
    if names and rows:
        table = next(recording.table("slow", rows, {"time", *names}))
        time = table["time"].astype(np.float64)
        end = max(end, float(time[-1])) if end == end else float(time[-1])
        for name in names:
            values = np.where(np.isinf(table[name]), np.nan, table[name]).astype(np.float64)
            places = extremes(values, even_edges(rows))
            if not np.isnan(values).all():
                temperatures[name] = time[places], values[places]
    wet = np.array([row[:2] for row in spray], np.float64).reshape(-1, 2)
    if end != end:
        end = float(np.nanmax(wet)) if wet.size else 0.0
    if not temperatures and not len(wet):
        return None
    return Conditions(temperatures, wet, max(end, 1.0))


def conditions_block(found: Conditions | None, columns: Columns) -> Block | None:
    """Return temperatures and water over the time of the test."""
    if found is None:
        return None
    parts: list[Part] = ["Over the time of the test. "]
    if len(found.wet):
        parts += [
            "Water was on ",
            *count_of(len(found.wet), "time", "spray.count"),
            ", first at ",
            Measure(float(found.wet[0, 0]), "s", "spray.0.time_on"),
            ". ",
        ]
    else:
        parts.append("No water was recorded as on. ")
    table = _warmth(found, columns) if found.temperatures else _periods(found)
    draw = partial(_draw, found)
    title = "Temperatures and water" if found.temperatures else "Water"
    return Drawn("conditions", title, draw, Told(tuple(parts), table))


def _warmth(found: Conditions, columns: Columns) -> Table:
    rows: list[tuple[Cell, ...]] = []
    for name in found.temperatures:
        stat = columns.slow[name]
        values = (measured(stat, what, "K", f"slow.{name}") for what in ("min", "mean", "max"))
        rows.append((f"temperature of the {TEMPERATURES[name]}", *values))
    return Table(("what", "Lowest", "Mean", "Highest"), tuple(rows))


def _periods(found: Conditions) -> Table:
    """Return the first times of water: all of them stand where water is told of."""
    rows = tuple(
        tuple(
            Measure(float(time), "s", f"spray.{place}.{name}", 5, blank="not ended")
            for time, name in zip(span, ("time_on", "time_off"), strict=True)
        )
        for place, span in enumerate(found.wet[:_ROWS])
    )
    return Table(("Water on from", "to"), rows)


def _draw(found: Conditions) -> Figure:
    over, unit = next(
        ((length, word) for least, length, word in _SPANS if found.end >= least), (1.0, "s")
    )
    water, warm = 0.22, 1.5 if found.temperatures else 0.0
    wide = WIDTH - MARGIN - 0.15
    with look():
        figure = new_figure(0.45 + water + (0.12 + warm + 0.25 if warm else 0.2))
        lower = framed(figure, (MARGIN, 0.42, wide, water))
        _water(lower, found, over)
        lower.set_xlabel(f"test time [{unit}]", fontsize=WORDS)
        lower.set_xlim(0, found.end / over)
        if warm:
            upper = framed(figure, (MARGIN, 0.42 + water + 0.12, wide, warm))
            _warm(upper, found, over)
    return figure


def _water(axes: Axes, found: Conditions, over: float) -> None:
    # One outline for all: hundreds of boxes would take longer than all the rest.
    # Water that is still on when the record ends has no end of its own.
    wet = np.where(np.isnan(found.wet), found.end, found.wet)
    stretches = np.array(_merged(wet, found.end / _APART)).reshape(-1, 2) / over
    x, y = np.repeat(stretches.ravel(), 2), np.tile([0.0, 0.9, 0.9, 0.0], len(stretches))
    axes.fill(x, y, facecolor=_BLUE, edgecolor="black", linewidth=0.3)
    axes.set_ylim(0, 1)
    axes.set_yticks([0.5], ["water on"])
    axes.grid(visible=False)
    if not len(found.wet):
        axes.text(0.5, 0.5, "none", transform=axes.transAxes, fontsize=SMALL, va="center")


def _merged(wet: FloatArray, apart: float) -> list[list[float]]:
    """Return stretches, those closer to each other than a time [s] made one."""
    found: list[list[float]] = []
    for on, off in wet.tolist():
        if found and on - found[-1][1] < apart:
            found[-1][1] = max(off, found[-1][1])
        else:
            found.append([on, off])
    return found


def _warm(axes: Axes, found: Conditions, over: float) -> None:
    ends: list[float] = []
    for place, (name, (time, kelvin)) in enumerate(found.temperatures.items()):
        celsius = kelvin - _KELVIN
        style: dict[str, Any] = LOOKS[place]
        axes.plot(time / over, celsius, linewidth=0.9, label=TEMPERATURES[name], **style)
        ends += [float(np.nanmin(celsius)), float(np.nanmax(celsius))]
    low, high = reach(*ends)
    axes.set_ylim(min(low, high - 2.0), high)
    axes.set_xlim(0, found.end / over)
    axes.set_ylabel("temperature [°C]", fontsize=WORDS)
    axes.tick_params(labelbottom=False)
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(-0.01, 1.03),
        ncols=len(TEMPERATURES),
        frameon=False,
        fontsize=SMALL,
        borderaxespad=0.0,
        handlelength=2.6,
    )
