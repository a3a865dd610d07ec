"""The outcome after a limit has stopped the rig, named from the samples kept around the trip.

A limit stops first; only then is it told whether the specimen failed, the feedback was lost, or
nothing but the limit speaks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.criteria.ultimate import sustained

FEEDBACK_TIME: Final = 0.005  # s without a valid load that is a lost feedback
FEEDBACK_SAMPLES: Final = 5
AT_TARGET: Final = 1.02  # of the upper load: what still counts as at target
LOAD_LOST: Final = 0.20  # of the upper load, lost while deflection grows
DEFLECTION_GROWN: Final = 0.05
"""Of the deflection at the highest load before, and of the settled range: where a sensor has
slipped the former may be anything."""
SWINGS: Final = 0.5
"""Of what the largest deflection has grown: a softer specimen swings further, a sensor that drifts
or a specimen that creeps does not."""
SWUNG: Final = 0.95
"""Of what the swing of a specimen grows that has lost the stiffness which is a failure: where a
sensor has slipped the largest deflection alone tells too much."""
WIDER: Final = 1.0
"""Of its settled range, by which the deflection swings further in the evidence alone: enough too,
where a broken specimen has gone on bending since before it."""
NO_WIDER: Final = (
    "net deflection swings too little further for a failure: a drifting sensor, or creep"
)
JUMP: Final = 0.20  # of its range, from one sample to the next: no specimen moves like that alone
LEAST_JUMP: Final = 0.05  # of the upper load, or of what that bends: less may be noise
JUMP_SAMPLES: Final = 3  # after which the other signal must have moved too, had it been true
# All: common practice, no source.


@dataclass(frozen=True, slots=True)
class OutcomeSetup:
    """Upper load [N], rate [1/s], loss that is a failure (fraction).

    `deflection_per_load` [m/N] is the settled deflection_max over the settled load_max, and
    `deflection_range` [m] the settled range; NaN as long as there is no baseline.
    """

    upper: float
    rate: float
    deflection_per_load: float = math.nan
    loss_stop: float = 0.40
    deflection_range: float = math.nan


def after_limit(
    setup: OutcomeSetup,
    text: str,
    load: NDArray[np.float32],
    deflection: NDArray[np.float32],
    at: int,
    stroke: NDArray[np.float32] | None = None,
) -> tuple[str, str]:
    """Return outcome ("failure", "limit" or "fault") and why, which names the limit.

    `text` is the trip's. `load` [N] and net `deflection` [m], shape (frames,), begin at least one
    cycle before the trip and reach to the end of what is kept after it; sample `at` tripped.
    Deflection grows with the load. Failure is: the load was at or under target until the trip
    and, where deflection was largest, deflection per load had grown beyond 1/(1 - loss_stop) of the
    baseline, or load had been lost while deflection grew. In a healthy specimen, cycling or
    unloading, deflection is largest where the load is. A signal that jumped alone, from one sample
    to the next, is no evidence but its sensor's fault: the load's is a lost feedback. Where the
    `stroke` jumped with the deflection it is the specimen that moved.
    """
    gone = _missing_about(load, at)
    if gone >= max(FEEDBACK_SAMPLES, math.floor(FEEDBACK_TIME * setup.rate + 1e-9) + 1):
        return "fault", f"feedback lost: load without a valid sample for {gone} samples; {text}"
    least, most = LEAST_JUMP * setup.upper, setup.deflection_range / (1 - setup.loss_stop)
    if _jumped_alone(load, deflection, at, least, most):
        return "fault", f"feedback in doubt: the load jumped while deflection went on; {text}"
    least *= setup.deflection_per_load
    leapt = _jumped_alone(deflection, load, at, least)
    together = leapt and stroke is not None and _jumped_too(deflection, stroke, at, least)
    if leapt and not together:
        return "limit", f"{text}; deflection jumped while the load went on: look at its sensors"
    force, bent = sustained(load), sustained(deflection)
    if (force[: at + 1] > AT_TARGET * setup.upper).any():
        return "limit", text
    lowest = float(np.nanmin(bent[: at + 1], initial=math.inf))
    valid = np.isfinite(force) & np.isfinite(bent)
    force, bent = force[valid], bent[valid]
    if not len(force):
        return "limit", text
    peak = int(np.argmax(bent))
    now, largest = float(force[peak]), float(bent[peak])
    highest = int(np.argmax(force[: peak + 1]))
    before, bent_before = float(force[highest]), float(bent[highest])
    # A hundredth of the upper load stands for no load at all, so that the ratio stays finite.
    ratio = largest / max(now, 0.01 * setup.upper) / setup.deflection_per_load
    allowed = 1 / (1 - setup.loss_stop)
    grown = largest - setup.deflection_per_load * setup.upper
    wider = largest - lowest - setup.deflection_range
    failed = SWUNG * (allowed - 1) * setup.deflection_range
    little = wider < min(max(SWINGS * grown, failed), WIDER * setup.deflection_range)
    if ratio > allowed and little and not together:
        return "limit", f"{text}; {NO_WIDER}"
    if ratio > allowed:
        why = f"net deflection per load {ratio:.3g} times the baseline, above {allowed:.3g}"
        return "failure", f"{why}; stopped by limit: {text}"
    more = DEFLECTION_GROWN * np.fmax(abs(bent_before), setup.deflection_range)
    if before - now >= LOAD_LOST * setup.upper and largest - bent_before >= more:
        why = (
            f"load fell from {before / 1e3:.4g} to {now / 1e3:.4g} kN while net deflection grew "
            f"from {bent_before * 1e3:.4g} to {largest * 1e3:.4g} mm"
        )
        return "failure", f"{why}; stopped by limit: {text}"
    return "limit", text


def _jumped_alone(
    signal: NDArray[np.float32],
    other: NDArray[np.float32],
    at: int,
    least: float,
    most: float = math.nan,
) -> bool:
    """Tell whether a signal jumped before sample `at`, to stay there, and the other went on.

    A jump is one by `least` at least, and the other swings by `most` at most before it has failed;
    NaN where that is not known.
    """
    if not JUMP_SAMPLES <= at < min(len(signal), len(other)) - JUMP_SAMPLES:
        return False
    own, others = (x.astype(np.float64) for x in (signal, other))
    steps = np.abs(np.diff(own[: at + 1]))
    span = _span(own[: at + 1])
    # A jump widens the span by itself; what is left of it is what the signal does else.
    jumps = np.flatnonzero(steps >= JUMP * np.maximum(span - steps, 0.0)) + 1
    for first in jumps[steps[jumps - 1] > 0]:
        after = first + JUMP_SAMPLES - 1
        moved = abs(own[after] - own[first - 1])
        if moved >= JUMP * (span - moved) and not moved < least:
            # A specimen that breaks goes far from then on: that is not what it does else.
            usual = most if math.isfinite(most) or first <= at // 2 else _span(others[:first])
            swing = min(_span(others[: at + 1]), usual)
            return bool(abs(others[after] - others[first - 1]) < JUMP * swing)
    return False


def _jumped_too(
    signal: NDArray[np.float32], other: NDArray[np.float32], at: int, least: float
) -> bool:
    """Tell whether another signal went with one that jumped; one that is missing did not."""
    there = bool(np.isfinite(other[: at + 1]).all())
    return there and not _jumped_alone(signal, other, at, least)


def _span(values: NDArray[np.float64]) -> float:
    valid = values[np.isfinite(values)]
    return float(np.ptp(valid)) if len(valid) else math.nan


def _missing_about(load: NDArray[np.float32], at: int) -> int:
    """Return the length of the run of missing samples that sample `at` belongs to."""
    valid = np.flatnonzero(~np.isnan(load))
    if not 0 <= at < len(load) or not np.isnan(load[at]):
        return 0
    after = int(np.searchsorted(valid, at))
    stop = int(valid[after]) if after < len(valid) else len(load)
    start = int(valid[after - 1]) if after else -1
    return stop - start - 1
