"""From what the channels show to what is true: calibration, moved sensors, moving mass.

The same arithmetic serves the blocks that are read and the samples that are looked at as they
arrive.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from rig.acquire.calibration import Points, shown_values, true_values
from rig.acquire.inertia import (
    Inertia,
    Shown,
    Travelled,
    accelerations,
    inertia,
    taken_off,
)
from rig.protocol.plan import Bounds, Plan
from rig.samples import FloatArray, SampleArray

CELLS: Final = ("load", "load_2")
"""Channels on the cell's side of the moving mass: a second measure stands beside the first."""
SIGMAS: Final = 8.0
"""Standard deviations of noise that one sample of the stroke may differ from the next by."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What a rig file says of its channels, by name.

    `points` of calibrations, `ends` of ranges [SI]; `inertia` is None where nothing that matters
    moves between cell and specimen, or nothing tells how.
    """

    points: Mapping[str, Points]
    ends: Mapping[str, Bounds]
    inertia: Inertia | None

    @property
    def any(self) -> bool:
        """Whether any reading differs from what is shown."""
        return bool(self.points) or self.inertia is not None

    def true(self, name: str, shown: float, shift: float = 0.0) -> float:
        """Return what is true [SI] of what a channel shows."""
        points = self.points.get(name)
        return (float(true_values(points, shown)) if points else shown) + shift

    def shown(self, name: str, true: float, shift: float = 0.0) -> float:
        """Return what a channel shows [SI] of what is true."""
        points = self.points.get(name)
        return float(shown_values(points, true - shift)) if points else true - shift


def facts_of(plan: Plan) -> Facts:
    """Return what a plan's rig file says."""
    calibrations = plan.rig.trust.calibrations
    return Facts(
        {name: found.points for name, found in calibrations.items() if found.points},
        {c.name: (c.low, c.high) for c in plan.rig.channels},
        _inertia_of(plan),
    )


def corrections(plan: Plan) -> tuple[str, ...]:
    """Return in words what is corrected of the readings, and what ought to be and cannot."""
    facts, trust = facts_of(plan), plan.rig.trust
    told = [f"{name} ({trust.calibrations[name].certificate})" for name in facts.points]
    texts = [f"readings corrected by certificate: {', '.join(told)}"] if told else []
    mass = trust.frame.moving_mass
    if facts.inertia is not None:
        sampled = {c.name for c in plan.rig.sampled}
        source = "acceleration" if "acceleration" in sampled else "stroke"
        texts.append(f"load corrected for the inertia of {mass:.4g} kg, by the {source} channel")
    elif mass and plan.loading is not None:
        texts.append(
            f"the inertia of {mass:.4g} kg is in the load: neither stroke nor acceleration is "
            "sampled, nothing can be corrected"
        )
    return tuple(texts)


def _inertia_of(plan: Plan) -> Inertia | None:
    """Return what the correction needs, None without mass, cycles, or a measured motion."""
    frame, loading = plan.rig.trust.frame, plan.loading
    sampled = {c.name: c for c in plan.rig.sampled}
    if not frame.moving_mass or loading is None or not {"stroke", "acceleration"} & set(sampled):
        return None
    mass = frame.moving_mass if frame.cell == "moving" else -frame.moving_mass
    stroke = sampled.get("stroke")
    noise = SIGMAS * stroke.noise + 2 * stroke.resolution if stroke else 0.0
    speed = plan.rig.actuator.speed
    return inertia(mass, plan.rig.rate, loading.frequency, loading.range, speed, noise)


@dataclass(frozen=True, slots=True)
class Seen:
    """What has been seen of the samples before: of the stroke, and of each cell by channel."""

    stroke: Travelled = field(default_factory=Travelled)
    cells: Mapping[str, Shown] = field(default_factory=dict)


def condition(
    facts: Facts,
    shifts: Mapping[str, float],
    before: Seen,
    channels: tuple[str, ...],
    values: SampleArray,
) -> Seen:
    """Make samples true, in place; return what has been seen by then.

    `values` of shape (channels, frames) [SI], `shifts` what is added to each channel. A sample
    at the end of its channel's range stays there: it must go on looking as if it hung. A cell
    whose samples come without those of the motion is left without what the mass takes off.
    """
    rows = {name: values[row] for row, name in enumerate(channels)}
    motion, stroke = _motion(facts, shifts, before, rows)
    cells = dict(before.cells)
    for name, row in rows.items():
        taken = None
        if motion is not None and facts.inertia is not None and name in CELLS:
            ends = facts.ends[name]
            kept = before.cells.get(name, Shown())
            taken, cells[name] = taken_off(facts.inertia, kept, row, motion, ends)
        _correct(facts, name, row, shifts.get(name, 0.0), taken)
    return Seen(stroke, cells)


def _motion(
    facts: Facts, shifts: Mapping[str, float], before: Seen, rows: Mapping[str, SampleArray]
) -> tuple[FloatArray | None, Travelled]:
    """Return the acceleration [m/s2], None where it is not wanted or cannot be known."""
    setup, stroke = facts.inertia, before.stroke
    if setup is None or not any(name in rows for name in CELLS):
        return None, stroke
    drawn: FloatArray | None = None
    if "stroke" in rows:
        # Without the shift: a sensor that was moved has not gone anywhere.
        shown = rows["stroke"]
        drawn, stroke = accelerations(setup, stroke, _true(facts, "stroke", shown))
    if "acceleration" in rows:
        measured = _true(facts, "acceleration", rows["acceleration"])
        measured = measured + shifts.get("acceleration", 0.0)
        drawn = measured if drawn is None else np.where(np.isnan(measured), drawn, measured)
    return drawn, stroke


def _true(facts: Facts, name: str, shown: SampleArray) -> FloatArray:
    return true_values(facts.points.get(name, ()), shown)


def _correct(
    facts: Facts, name: str, row: SampleArray, shift: float, taken: SampleArray | None
) -> None:
    """Put one channel right in place."""
    if name not in facts.points and not shift and taken is None:
        return
    low, high = (np.float32(end) for end in facts.ends.get(name, (-np.inf, np.inf)))
    true = _true(facts, name, row) + shift
    if taken is not None:
        true -= taken
    at_low, at_high = row <= low, row >= high
    row[:] = true
    if at_low.any():
        row[at_low] = np.minimum(row[at_low], low)
    if at_high.any():
        row[at_high] = np.maximum(row[at_high], high)
