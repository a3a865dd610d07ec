"""Load correction: hold upper and lower load on target while the specimen softens.

Mean and amplitude are corrected apart, from the median of 5 good cycles. Upward a step is at
most 0.2 % of the range; downward there is no limit. All in all the command stays within 10 % of
the range from the settled command; upward steps are frozen while the net-deflection range grows
more than 1 % in 50 cycles, because a specimen that fails must not be chased (all figures:
common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rig.samples import Cycles, Flag, FloatArray

WINDOW: Final = 5
UPWARD_STEP: Final = 0.002
AUTHORITY: Final = 0.10
DEADBAND: Final = 0.002
GROWTH: Final = 0.01
GROWTH_CYCLES: Final = 50
SETTLING_CYCLES: Final = 2

_NOT_GOOD: Final = int(Flag.GAP | Flag.LONG_GAP | Flag.SPIKE)


@dataclass(frozen=True, slots=True)
class Adjustment:
    """A new command [N]; `saturated` tells that the authority ended here."""

    mean: float
    amplitude: float
    saturated: bool


@dataclass(frozen=True, slots=True)
class Correction:
    """State of the correction. Targets and commands [N].

    The authority lies about the settled command: at first the target, from the end of the
    baseline on the command of that moment. `pairs` holds mean and amplitude of good cycles
    since the last change, `ranges` the net-deflection ranges of the last 50 cycles.
    """

    target_mean: float
    target_amplitude: float
    mean: float
    amplitude: float
    settled_mean: float
    settled_amplitude: float
    skip: int = 0
    pairs: tuple[tuple[float, float], ...] = ()
    ranges: tuple[float, ...] = ()
    saturated: bool = False

    @property
    def range(self) -> float:
        """Target load range [N]."""
        return 2 * self.target_amplitude


def start_correction(mean: float, amplitude: float) -> Correction:
    """Return the state at the first counted cycle, the command being the target [N]."""
    return Correction(mean, amplitude, mean, amplitude, mean, amplitude)


def allowed_for(state: Correction, share: float) -> Correction:
    """Return the state whose command is the share of the target, as long as that was the target.

    What has been corrected holds the part of a moving mass already: it must not go off twice.
    """
    if (state.mean, state.amplitude) != (state.target_mean, state.target_amplitude):
        return state
    return replace(state, amplitude=share * state.target_amplitude)


def correct(state: Correction, rows: Cycles) -> tuple[Correction, int | None, Adjustment | None]:
    """Look at counted rows; return the new state, the row that asks for a change, and it.

    At most one change is returned: the first. Rows after it are taken as the first cycles under
    the new command.
    """
    high, low = (np.asarray(rows[c], np.float64) for c in ("load_max", "load_min"))
    opening = np.asarray(rows["deflection_max"] - rows["deflection_min"], np.float64)
    good = (np.asarray(rows["flags"], np.int64) & _NOT_GOOD) == 0
    good[: state.skip] = False
    index = np.flatnonzero(good)
    means = np.concatenate(([p[0] for p in state.pairs], ((high + low) / 2)[index]))
    amplitudes = np.concatenate(([p[1] for p in state.pairs], ((high - low) / 2)[index]))
    ranges = np.concatenate((np.asarray(state.ranges, np.float64), opening))
    first = _first_change(state, means, amplitudes, index, ranges, len(rows))
    if first is None:
        skip = max(state.skip - len(rows), 0)
        return (
            replace(
                state,
                skip=skip,
                pairs=_last_pairs(means, amplitudes),
                ranges=tuple(ranges[-GROWTH_CYCLES:].tolist()),
            ),
            None,
            None,
        )
    row, change = first
    after = len(rows) - row - 1
    keep = ranges[: len(ranges) - after]
    changed = replace(
        state,
        mean=change.mean,
        amplitude=change.amplitude,
        skip=SETTLING_CYCLES,
        pairs=(),
        ranges=tuple(keep[-GROWTH_CYCLES:].tolist()),
        saturated=state.saturated or change.saturated,
    )
    return changed, row, change


def _last_pairs(means: FloatArray, amplitudes: FloatArray) -> tuple[tuple[float, float], ...]:
    keep = WINDOW - 1
    return tuple(zip(means[-keep:].tolist(), amplitudes[-keep:].tolist(), strict=True))


def _all_near(values: FloatArray, target: float, band: float) -> bool:
    """Tell whether no value leaves the band: then no median can."""
    return float(values.max()) <= target + band and float(values.min()) >= target - band


def _medians(values: FloatArray) -> FloatArray:
    return np.median(np.lib.stride_tricks.sliding_window_view(values, WINDOW), axis=1)


def _first_change(
    state: Correction,
    means: FloatArray,
    amplitudes: FloatArray,
    index: np.ndarray[tuple[int], np.dtype[np.intp]],
    ranges: FloatArray,
    rows: int,
) -> tuple[int, Adjustment] | None:
    """Return the first row whose window asks for a change that is allowed."""
    if len(means) < WINDOW:
        return None
    band = DEADBAND * state.range
    if _all_near(means, state.target_mean, band) and _all_near(
        amplitudes, state.target_amplitude, band
    ):
        return None
    mean_error = state.target_mean - _medians(means)
    amplitude_error = state.target_amplitude - _medians(amplitudes)
    wanted = (np.abs(mean_error) > band) | (np.abs(amplitude_error) > band)
    carried = len(means) - len(index)
    for window in np.flatnonzero(wanted):
        row = int(index[window + WINDOW - 1 - carried])
        frozen = _frozen(ranges, len(ranges) - rows + row)
        change = _change(state, float(mean_error[window]), float(amplitude_error[window]), frozen)
        if change is not None:
            return row, change
    return None


def _frozen(ranges: FloatArray, position: int) -> bool:
    """Tell whether the opening at a position grew more than 1 % over the 50 cycles before."""
    earlier = position - (GROWTH_CYCLES - 1)
    if earlier < 0:
        return False
    return bool(ranges[position] > ranges[earlier] * (1 + GROWTH))


def _change(
    state: Correction, mean_error: float, amplitude_error: float, frozen: bool
) -> Adjustment | None:
    upward = UPWARD_STEP * state.range
    allowed = 0.0 if frozen else upward
    # The upper load rises by the sum of both steps: share the allowance.
    wanted = max(mean_error, 0.0) + max(amplitude_error, 0.0)
    share = min(1.0, allowed / wanted) if wanted > 0 else 1.0
    mean_step = mean_error * (share if mean_error > 0 else 1.0)
    amplitude_step = amplitude_error * (share if amplitude_error > 0 else 1.0)
    band = DEADBAND * state.range
    mean = state.mean + (mean_step if abs(mean_error) > band / 4 else 0.0)
    amplitude = state.amplitude + (amplitude_step if abs(amplitude_error) > band / 4 else 0.0)
    limit = AUTHORITY * state.range
    bounded_mean = min(max(mean, state.settled_mean - limit), state.settled_mean + limit)
    bounded_amplitude = min(
        max(amplitude, state.settled_amplitude - limit), state.settled_amplitude + limit
    )
    # Mean and amplitude add up in the upper load: together they have the same authority.
    over = bounded_mean + bounded_amplitude - state.settled_mean - state.settled_amplitude - limit
    bounded_amplitude -= max(over, 0.0)
    saturated = (bounded_mean, bounded_amplitude) != (mean, amplitude)
    if bounded_mean == state.mean and bounded_amplitude == state.amplitude:
        return Adjustment(state.mean, state.amplitude, True) if _newly(state, saturated) else None
    return Adjustment(bounded_mean, bounded_amplitude, _newly(state, saturated))


def _newly(state: Correction, saturated: bool) -> bool:
    return saturated and not state.saturated
