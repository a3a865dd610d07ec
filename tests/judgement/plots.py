"""Plots of a night: stiffness and net deflection over cycles, with what truly happened marked."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from rig.record import read_run
from tests.judgement import drawing
from tests.judgement.carrying import Record, carry_out
from tests.judgement.drawing import ENDS, Night
from tests.truth import truth_of

SIZE: Final = (9.0, 6.0)  # inches
POINTS: Final = 4000
HARMLESS: Final = frozenset(
    {"daily-temperature", "chill", "creep", "leaning", "gaps", "hum", "crack", "roller-walking"}
)


def plotted(folder: Path, first: int) -> list[Path]:
    """Draw a caught failure and a night of rightly ignored disturbances; return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    slow = ENDS.index("slow-end")
    seed = first + (slow - first) % len(ENDS)
    chosen = {"failure.png": drawing.failing(seed), "ignored.png": _ignored(first)}
    return [drawn(night, folder / name) for name, night in chosen.items()]


def _ignored(first: int) -> Night:
    """Return the first healthy night to which only what may not stop a test happens."""
    for seed in range(first, first + 1000):
        night = drawing.healthy(seed)
        kinds = {x.split('"')[1] for x in night.events.splitlines() if x.startswith("kind")}
        if len(kinds) >= 3 and kinds <= HARMLESS and "daily-temperature" in kinds:
            return night
    raise ValueError(f"no quiet night from seed {first} on")


def drawn(night: Night, path: Path) -> Path:
    """Carry a night out beside `path`, draw it there, and return the path."""
    folder = path.with_suffix("")
    record = carry_out(night, folder)
    draw(record, folder / "run", path)
    return path


def draw(record: Record, run_folder: Path, path: Path) -> None:
    """Draw stiffness and extremes of net deflection of a run over its cycles."""
    with read_run(run_folder) as run:
        names = ("number", "time", "stiffness", "deflection_max", "deflection_min")
        number, times, stiffness, high, low = (run.column(name) for name in names)
    each = max(1, len(number) // POINTS)
    truth = truth_of(run_folder)
    figure = Figure(figsize=SIZE, layout="constrained")
    FigureCanvasAgg(figure)
    upper, lower = figure.subplots(2, 1, sharex=True)
    upper.plot(number[::each], stiffness[::each] / 1e6, ".", markersize=2, label="measured")
    states = [s for s in truth.states if s.cycling and not s.broken]
    at = np.interp([s.time for s in states], times, number)
    upper.step(at, [s.slope / 1e6 for s in states], where="post", label="true")
    upper.set_ylabel("stiffness [kN/mm]")
    lower.plot(number[::each], high[::each] * 1e3, ".", markersize=2, label="largest")
    lower.plot(number[::each], low[::each] * 1e3, ".", markersize=2, label="smallest")
    lower.set_ylabel("net deflection [mm]")
    lower.set_xlabel("cycle")
    for event in truth.events:
        cycle = float(np.interp(event.begin, times, number))
        for axes in (upper, lower):
            axes.axvline(cycle, color="0.6", linewidth=0.8)
        upper.annotate(
            event.what,
            (cycle, 1),
            xycoords=("data", "axes fraction"),
            rotation=90,
            fontsize=7,
            va="top",
            ha="right",
        )
    upper.legend(loc="lower left")
    lower.legend(loc="center left")
    ended = f"{record.outcome} at cycle {record.cycles:,}"
    figure.suptitle(f"{record.kind}, simulated: {ended}", fontsize=10)
    figure.savefig(path, dpi=120)
