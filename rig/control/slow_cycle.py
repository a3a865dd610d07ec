"""What one slow cycle shows: its stiffness, where cracks re-open, what it leaves behind."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from rig.control.station import Station
from rig.judging.looking import Averaged, Judge, averaged_in
from rig.mechanics.reopening import Reopening, effective_prestress, reopening
from rig.mechanics.specimen import Specimen
from rig.samples import FloatArray

UNLOADED: Final = 0.2  # of its range: so near to where it began a load must come back
LEAST_RANGE: Final = 0.2  # of the load scale: a slow cycle over less has no stiffness


def keep_static(
    station: Station,
    label: str,
    judge: Judge,
    cycle: int | None = None,
    *,
    reopens: bool = False,
    breaks: bool = False,
) -> float:
    """Record a slow cycle with what it shows; return its stiffness [N/m].

    `reopens` tells that it may open cracks that are there; a first loading makes them. `breaks`
    tells that it goes on until the specimen breaks: no slope over yield and fall is a stiffness.
    """
    averaged = the_averaged(judge)
    samples = averaged.samples()
    names = station.book.sampled
    load = samples[names.index("load")].astype(np.float64)
    deflection = samples[-1].astype(np.float64)
    # A short way, as that to the lower load between stages, says nothing of the stiffness.
    far = len(load) > 0 and np.ptp(load) >= LEAST_RANGE * station.load_scale
    stiffness = slope(load, deflection) if far and not breaks else math.nan
    opening = reopening(load, deflection) if far and reopens else None
    station.book.static(
        label=label,
        cycle=station.cycle if cycle is None else cycle,
        first_frame=averaged.origin,
        group=averaged.group,
        stiffness=stiffness,
        reopening_load=opening.load if opening else math.nan,
        residual=opening.residual if opening else _left_behind(load, deflection),
        told=reopening_words(opening, station.plan.specimen) if opening else "",
        samples=samples,
    )
    return stiffness


def _left_behind(load: FloatArray, deflection: FloatArray) -> float:
    """Return the deflection at the end over that at the begin [m], NaN where it still is loaded."""
    back = len(load) > 0 and load[-1] - load[0] <= UNLOADED * np.ptp(load)
    return float(deflection[-1] - deflection[0]) if back else math.nan


def the_averaged(judge: Judge) -> Averaged:
    """Return the collector among a stage's judges."""
    found = averaged_in(judge)
    if found is None:
        raise TypeError(f"a slow stage was handed on as {type(judge).__name__}")
    return found


def slope(load: FloatArray, deflection: FloatArray) -> float:
    """Return the least-squares slope of load on deflection [N/m], NaN for under two points."""
    spread = deflection - deflection.mean() if len(deflection) > 1 else np.zeros(1)
    square = float(spread @ spread)
    if square == 0.0:
        return float("nan")
    return float(spread @ (load - load.mean()) / square)


def reopening_words(found: Reopening, specimen: Specimen) -> str:
    """Return where cracks re-open, the prestress that tells of, and the tangents about it."""
    left = effective_prestress(specimen, found.load)
    prestress = (
        f", effective prestress {left.stress / 1e6:,.0f} MPa "
        f"({left.force / 1e3:.1f} kN in the tendons, {left.share * 100:.0f} % of the file's)"
        if left
        else ""
    )
    return (
        f"cracks re-open at {found.load / 1e3:.2f} kN "
        f"(the fit's 95 % interval {found.low / 1e3:.2f} to {found.high / 1e3:.2f}){prestress}; "
        f"tangents {found.below / 1e6:.2f} and {found.above / 1e6:.2f} kN/mm"
    )
