"""The end of a static test to its ultimate load.

It ends at a fall of 20 % from the peak kept for 5 s, a tendon break, or a net deflection of a
thirtieth of the span; drops of less go on. A tendon break is a fall by more than 30 % of the
peak within 50 ms. All figures: common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SUSTAINED: Final = 3
"""Samples that a peak, a break and a largest deflection must last: spikes are none of them."""


def sustained(values: NDArray[np.float32]) -> FloatArray:
    """Return what each 3 samples in a row held at least, shape (frames,); the first two NaN."""
    return _of_three(values.astype(np.float64), np.minimum)


def _of_three(values: FloatArray, pick: np.ufunc) -> FloatArray:
    """Return the least or most of each value and the two before it; the first two are NaN."""
    result = np.full(len(values), np.nan)
    result[2:] = pick(pick(values[:-2], values[1:-1]), values[2:])
    return result


@dataclass(frozen=True, slots=True)
class UltimateSetup:
    """Rate [1/s], span [m] and the load [N] under which nothing is judged (contact)."""

    rate: float
    span: float
    least: float
    fall: float = 0.20
    fall_for: float = 5.0
    break_fall: float = 0.30
    break_within: float = 0.05

    @property
    def deflection_stop(self) -> float:
        """Net deflection that ends the test [m]."""
        return self.span / 30

    @property
    def fall_samples(self) -> int:
        """Samples in a row that a fall must last."""
        return max(SUSTAINED, math.ceil(self.fall_for * self.rate - 1e-9))

    @property
    def break_samples(self) -> int:
        """Samples within which a break happens."""
        return max(1, math.ceil(self.break_within * self.rate - 1e-9))


@dataclass(frozen=True, slots=True, eq=False)
class UltimateState:
    """Peak so far (load [N], deflection [m], frame), length of the present fall [samples].

    `load` and `deflection` are the last samples that later ones are judged with.
    """

    peak: tuple[float, float, int] = (-math.inf, math.nan, -1)
    fallen: int = 0
    load: FloatArray = field(default_factory=lambda: np.empty(0))
    deflection: FloatArray = field(default_factory=lambda: np.empty(0))

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point."""
        return {
            "peak": list(self.peak),
            "fallen": self.fallen,
            "load": self.load.tolist(),
            "deflection": self.deflection.tolist(),
        }

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> UltimateState:
        """Return the state that `to_plain` wrote."""
        load, deflection, frame = plain["peak"]
        return UltimateState(
            (load, deflection, frame),
            plain["fallen"],
            np.array(plain["load"], dtype=np.float64),
            np.array(plain["deflection"], dtype=np.float64),
        )


@dataclass(frozen=True, slots=True)
class End:
    """The end of a static test, knowable at `frame`; `kind` is "break", "fall" or "deflection".

    Peak load [N] is the highest held for 3 samples, with the net deflection [m] and frame there.
    """

    kind: str
    frame: int
    peak_load: float
    peak_deflection: float
    peak_frame: int
    text: str


def watch_ultimate(
    setup: UltimateSetup,
    state: UltimateState,
    first_frame: int,
    load: NDArray[np.float32],
    deflection: NDArray[np.float32],
) -> tuple[UltimateState, End | None]:
    """Watch one block, shape (frames,), that begins at `first_frame`; return state and end.

    Missing samples (NaN) neither make a peak nor a break; a fall goes on through them.
    """
    if not len(load):
        return state, None
    kept = len(state.load)
    force = np.concatenate((state.load, load.astype(np.float64)))
    bent = np.concatenate((state.deflection, deflection.astype(np.float64)))
    held = _of_three(force, np.minimum)
    candidates = np.where(np.isnan(held), -np.inf, held)
    # Peaks inside the kept samples are in the state already.
    tops = np.maximum.accumulate(np.concatenate(([state.peak[0]], candidates[kept:])))
    peaks = tops[1:]
    at, kind, fallen = _first_end(setup, state, force, bent, candidates, peaks, kept)
    stop = len(peaks) if at is None else at + 1
    peak = _peak(state, first_frame, peaks[:stop], tops[:stop], bent[kept:])
    memory = SUSTAINED + setup.break_samples
    after = UltimateState(
        _peak(state, first_frame, peaks, tops[:-1], bent[kept:]),
        fallen,
        force[-memory:].copy(),
        bent[-memory:].copy(),
    )
    if at is None:
        return after, None
    text = (
        f"{_WORDS[kind]}; ultimate load {peak[0] / 1e3:.5g} kN "
        f"at net deflection {peak[1] * 1e3:.4g} mm"
    )
    return after, End(kind, first_frame + at, *peak, text)


_WORDS: Final = {
    "break": "load fell at once as when a tendon breaks",
    "fall": "load stayed a fifth under its peak",
    "deflection": "net deflection reached a thirtieth of the span",
}


def _peak(
    state: UltimateState, first_frame: int, peaks: FloatArray, tops: FloatArray, bent: FloatArray
) -> tuple[float, float, int]:
    rises = np.flatnonzero(peaks > tops)
    if not len(rises):
        return state.peak
    at = int(rises[-1])
    return float(peaks[at]), float(bent[at]), first_frame + at


def _first_end(
    setup: UltimateSetup,
    state: UltimateState,
    force: FloatArray,
    bent: FloatArray,
    held: FloatArray,
    peaks: FloatArray,
    kept: int,
) -> tuple[int | None, str, int]:
    """Return index and kind of the earliest end, and the length of the fall at the block's end."""
    judged = peaks >= setup.least
    ends: list[tuple[int, str]] = []
    low = force[kept:] <= (1 - setup.break_fall) * peaks
    if (low & judged).any():
        highest = _of_three(force, np.maximum)[kept:]
        before = np.concatenate((np.full(setup.break_samples, -np.inf), held))
        recent = sliding_window_view(before, setup.break_samples + 1).max(axis=1)[kept:]
        broken = judged & (highest + setup.break_fall * peaks < recent)
        ends += [(int(i), "break") for i in np.flatnonzero(broken)[:1]]
    down = judged & ~(force[kept:] > (1 - setup.fall) * peaks)
    need = setup.fall_samples
    # A fall that was complete before this block must not end anything on its last sample.
    since = np.concatenate(([-1 - min(state.fallen, need - 1)], np.flatnonzero(~down)))
    lengths = np.diff(np.concatenate((since, [len(down)]))) - 1
    ends += [(int(since[i]) + need, "fall") for i in np.flatnonzero(lengths >= need)[:1]]
    fallen = int(lengths[-1])
    far = _of_three(bent, np.minimum)[kept:] >= setup.deflection_stop
    ends += [(int(i), "deflection") for i in np.flatnonzero(far)[:1]]
    if not ends:
        return None, "", fallen
    at, kind = min(ends, key=lambda end: end[0])
    return at, kind, fallen
