"""Limits on every sample of a block, with persistence, doubtful feedback and stale channels.

What comes first names the trip. A missing sample (NaN) is an excursion and persists like one, so
with the default persistence of 3 samples a channel that goes missing trips as "limit" with value
NaN, sooner than "feedback" (over 5 ms and at least 5 samples) or "stale" (250 ms) could; these
two name the trip when the persistence is longer, or when the feedback channel has no bounds.
The stop never waits for a better name: whether a "limit" with value NaN was a lost feedback is
told afterwards from the samples kept (`rig.criteria.outcome`). A feedback that stands at the end
of its range is in doubt whatever its limits, and so is one that differs from a second measure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.channels import shown
from rig.guards.runs import first_run

FEEDBACK_TIME: Final = 0.005  # s; common practice, no source
FEEDBACK_SAMPLES: Final = 5
STALE_TIME: Final = 0.25  # s; common practice, no source
SATURATED_SAMPLES: Final = 5  # at the end of the range, in a row; common practice, no source
SECOND: Final = "load_2"
_APART: Final = "load_2 apart"
_AT_END: Final = "at its end"

Bounds = tuple[float, float]


@dataclass(frozen=True, slots=True)
class LimitSetup:
    """Bounds [SI] by channel ("deflection" is net), persistence [samples], rate [1/s].

    `feedback` names the channel in the servo loop, watched for missing samples also without
    bounds of its own; "" watches none. `ends` is its range [SI], None where that is not known.
    `apart` is by how much [N] it may differ from `load_2`, None where nobody compares them.
    """

    bounds: Mapping[str, Bounds]
    rate: float
    persist: int = 3
    feedback: str = "load"
    ends: Bounds | None = None
    apart: float | None = None

    def inside(self, name: str) -> Bounds:
        """Return the bounds [SI], as a sample holds them, within which nothing is amiss."""
        low, high = map(_as_sampled, self.bounds.get(name, (-math.inf, math.inf)))
        if self.ends is not None and name == self.feedback:
            # A sample at the end of the range is not inside it.
            low = max(low, float(np.nextafter(np.float32(self.ends[0]), np.float32(math.inf))))
            high = min(high, float(np.nextafter(np.float32(self.ends[1]), np.float32(-math.inf))))
        return low, high

    @property
    def feedback_samples(self) -> int:
        """Missing samples in a row with which feedback counts as lost."""
        # The tiny part keeps 0.005 * 1000 from falling under 5 by rounding.
        return max(FEEDBACK_SAMPLES, math.floor(FEEDBACK_TIME * self.rate + 1e-9) + 1)

    @property
    def stale_samples(self) -> int:
        """Missing samples in a row with which a limited channel counts as stale."""
        return max(1, math.ceil(STALE_TIME * self.rate - 1e-9))


@dataclass(frozen=True, slots=True)
class LimitState:
    """Lengths [samples] of the runs that reach the end of the last block; zeros are left out.

    Keys are channels, and of `excursions` what else may persist of the feedback.
    """

    excursions: Mapping[str, int] = field(default_factory=dict)
    missing: Mapping[str, int] = field(default_factory=dict)

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point."""
        return {"excursions": dict(self.excursions), "missing": dict(self.missing)}

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> LimitState:
        """Return the state that `to_plain` wrote."""
        return LimitState(dict(plain["excursions"]), dict(plain["missing"]))


@dataclass(frozen=True, slots=True)
class Trip:
    """A limit that tripped, knowable at `frame`.

    `kind` is "limit" (an excursion that persisted), "feedback" (the channel in the servo loop is
    missing, at the end of its range or not what a second one shows: a fault) or "stale" (a
    limited channel is missing). `value` and `bound` [SI] are NaN where the sample is missing.
    """

    kind: str
    channel: str
    value: float
    bound: float
    frame: int
    text: str


def earlier(one: Trip | None, other: Trip | None) -> Trip | None:
    """Return what tripped first; at once, a feedback in doubt goes before a limit."""
    trips = [trip for trip in (one, other) if trip is not None]
    return min(trips, key=lambda trip: (trip.frame, trip.kind != "feedback"), default=None)


def check_limits(
    setup: LimitSetup,
    state: LimitState,
    first_frame: int,
    signals: Mapping[str, NDArray[np.float32]],
) -> tuple[LimitState, Trip | None]:
    """Check one block of signals, each of shape (frames,) [SI], that begins at `first_frame`.

    Returns the state at the end of the block and the earliest trip, ties by the order of the
    bounds. A run that tripped in an earlier block and goes on trips again at once. Raises
    ValueError when a limited channel or the feedback has no signal.
    """
    excursions: dict[str, int] = {}
    missing: dict[str, int] = {}
    # What a second measure says of the feedback goes before what a limit makes of it.
    trips = _apart(setup, state, first_frame, signals, excursions)
    names = list(setup.bounds)
    if setup.feedback and setup.feedback not in setup.bounds:
        names.append(setup.feedback)
    for name in names:
        if name not in signals:
            raise ValueError(f"{name} is limited but not sampled; sampled are {sorted(signals)}")
        values = signals[name]
        if not len(values):
            for key in (name, f"{name} {_AT_END}"):
                excursions[key] = state.excursions.get(key, 0)
            missing[name] = state.missing.get(name, 0)
            continue
        low, high = setup.inside(name)
        if low <= float(values.min()) and float(values.max()) <= high:
            continue
        trips += _look_closer(
            setup, state, first_frame, name, values, excursions, missing, name in setup.bounds
        )
    kept = {name: n for name, n in excursions.items() if n}
    after = LimitState(kept, {name: n for name, n in missing.items() if n})
    return after, min(trips, key=lambda trip: trip.frame, default=None)


def _look_closer(
    setup: LimitSetup,
    state: LimitState,
    first_frame: int,
    name: str,
    values: NDArray[np.float32],
    excursions: dict[str, int],
    missing: dict[str, int],
    limited: bool,
) -> list[Trip]:
    wide = values.astype(np.float64)
    gone = np.isnan(wide)
    trips: list[Trip] = []

    def note(kind: str, index: int | None, samples: int, low: float, high: float) -> None:
        if index is not None:
            value = float(wide[index])
            trips.append(_trip(kind, name, value, (low, high), first_frame + index, samples))

    # Feedback goes before limit and limit before stale: `min` keeps the first of equal frames.
    carried = state.missing.get(name, 0)
    index, missing[name] = first_run(gone, carried, setup.feedback_samples)
    if name == setup.feedback:
        note("feedback", index, setup.feedback_samples, math.nan, math.nan)
    if name == setup.feedback and setup.ends is not None:
        key = f"{name} {_AT_END}"
        at_end = (wide <= _as_sampled(setup.ends[0])) | (wide >= _as_sampled(setup.ends[1]))
        carried_end = state.excursions.get(key, 0)
        index, excursions[key] = first_run(at_end, carried_end, SATURATED_SAMPLES)
        note("feedback", index, SATURATED_SAMPLES, *setup.ends)
    if limited:
        low, high = setup.bounds[name]
        outside = ~((wide >= _as_sampled(low)) & (wide <= _as_sampled(high)))
        index, excursions[name] = first_run(outside, state.excursions.get(name, 0), setup.persist)
        ends = setup.ends if name == setup.feedback else None
        beyond = index is not None and ends is not None and _ended(float(wide[index]), ends)
        if beyond and ends is not None:
            note("feedback", index, setup.persist, *ends)
        else:
            note("limit", index, setup.persist, low, high)
        index, _ = first_run(gone, carried, setup.stale_samples)
        note("stale", index, setup.stale_samples, math.nan, math.nan)
    return trips


def _apart(
    setup: LimitSetup,
    state: LimitState,
    first_frame: int,
    signals: Mapping[str, NDArray[np.float32]],
    excursions: dict[str, int],
) -> list[Trip]:
    """Hold the feedback against the second measure of load; a missing sample tells nothing."""
    if setup.apart is None or SECOND not in signals or setup.feedback not in signals:
        return []
    load, second = signals[setup.feedback], signals[SECOND]
    carried = state.excursions.get(_APART, 0)
    if not len(load):
        excursions[_APART] = carried
        return []
    near = load - second
    # What rounding makes of a difference is far less than a thousandth of it.
    surely = 0.999 * setup.apart
    if -surely <= float(near.min()) and float(near.max()) <= surely:
        return []
    difference = load.astype(np.float64) - second.astype(np.float64)
    index, excursions[_APART] = first_run(np.abs(difference) > setup.apart, carried, setup.persist)
    if index is None:
        return []
    one, other = shown(SECOND, float(load[index])), shown(SECOND, float(second[index]))
    text = (
        f"feedback in doubt: {setup.feedback} shows {one} and {SECOND} {other}, further apart than "
        f"{shown(SECOND, setup.apart)}, {_in_a_row(setup.persist)}"
    )
    value, bound = float(difference[index]), setup.apart
    return [Trip("feedback", setup.feedback, value, bound, first_frame + index, text)]


def _ended(value: float, ends: Bounds) -> bool:
    """Tell whether a sample stands at an end of its range, or beyond it."""
    return value <= _as_sampled(ends[0]) or value >= _as_sampled(ends[1])


def _in_a_row(samples: int) -> str:
    return f"{samples} sample{'s' if samples > 1 else ''} in a row"


def _as_sampled(bound: float) -> float:
    """Return a bound as a sample holds it (float32): a sample that equals it is not beyond it."""
    return float(np.float32(bound))


def _trip(kind: str, name: str, value: float, bounds: Bounds, frame: int, samples: int) -> Trip:
    in_a_row = _in_a_row(samples)
    if math.isnan(value):
        what = "feedback lost, " if kind == "feedback" else ""
        text = f"{name}: {what}no valid value for {in_a_row}"
        return Trip(kind, name, value, math.nan, frame, text)
    above = value > bounds[1]
    bound = bounds[1] if above else bounds[0]
    if kind == "feedback":
        text = (
            f"feedback in doubt: {name} {shown(name, value)} is at the end of its range, {in_a_row}"
        )
        return Trip(kind, name, value, bound, frame, text)
    side = "above" if above else "below"
    limit = shown(name, bound)
    # A value that is just beyond must not read as if it were the limit.
    seen = next(
        (s for s in (shown(name, value), shown(name, value, digits=8)) if s != limit), limit
    )
    text = f"{name} {seen} is {side} its limit {limit}, {in_a_row}"
    return Trip(kind, name, value, bound, frame, text)
