"""From the times of rows to evenly spaced frames: the rate, gaps, repeated and backward times.

The step is that of the first rows. A row less than one and a half steps after the one before is
the next frame; a longer step leaves frames out, which are NaN. Times need not be even to more
than a quarter of a step, but for one row in twenty: times that were rounded when written still
pass, others are refused. (Both figures: no source.)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import FloatArray, SampleArray

UNEVEN: Final = 0.25  # of a step off its place
MOST_UNEVEN: Final = 0.05  # of the rows
MOST_LEFT_OUT: Final = 0.05  # of the rows: repeated or backward
FEW: Final = 20  # rows left out or uneven that are always allowed
LONGEST_GAP: Final = 1_000_000  # frames
MOST_MISSING: Final = 1_000_000_000  # frames in all gaps
TOGETHER: Final = 2**18  # frames placed at once, but for a single gap
LOOKS: Final = 64  # rows of a piece whose times are kept
OFF_STEPS: Final = 5  # steps that a time may be off an even rate, whatever the length
LITTLE_OFF: Final = 1e-4  # of the whole time: a computer's clock is off by less; no source
FAR_OFF: Final = 0.01  # of the whole time
NAMED: Final = 5  # rows that are named of each trouble
_RATE_DIGITS: Final = 6


class Unspaced(Exception):
    """Why rows cannot be placed: the row, what is wrong, what would be right, which column.

    Without a `column` it is that of the numbers, or of the times.
    """

    def __init__(self, number: int, problem: str, remedy: str, column: str = "") -> None:
        super().__init__(problem)
        self.number, self.problem, self.remedy, self.column = number, problem, remedy, column


@dataclass(slots=True)
class Trouble:
    """How many rows have something, the numbers of the first few, and how much in all."""

    count: int = 0
    first: list[int] = field(default_factory=list)
    total: int = 0
    longest: int = 0

    def add(self, numbers: NDArray[np.int64], sizes: NDArray[np.int64] | None = None) -> None:
        """Count rows, with the size of each where it has one."""
        self.count += len(numbers)
        self.first += numbers[: max(NAMED - len(self.first), 0)].tolist()
        if sizes is not None and len(sizes):
            self.total += int(sizes.sum())
            self.longest = max(self.longest, int(sizes.max()))


def step_of(times: FloatArray) -> float:
    """Return the step [s] of rows that are evenly spaced but for some of them.

    The mean of the steps near the median: times that were rounded when they were written have
    steps that differ. Raises ValueError where fewer than two rows go forward.
    """
    steps = np.diff(times)
    steps = steps[steps > 0]
    if not len(steps):
        raise ValueError("no time goes forward")
    median = float(np.median(steps))
    near = steps[(steps > 0.4 * median) & (steps < 1.6 * median)]
    return float(near.mean())


def plain_rate(rate: float) -> float:
    """Return a rate [Hz] of few digits where it is one but for rounding."""
    short = float(f"{rate:.{_RATE_DIGITS}g}")
    return short if abs(short - rate) <= 2e-6 * rate else rate


@dataclass(slots=True)
class Frames:
    """Places rows in frames, piece by piece; `step` [s] is that of the first rows."""

    step: float
    frames: int = 0
    rows: int = 0
    first_time: float = float("nan")
    last_time: float = float("nan")
    gaps: Trouble = field(default_factory=Trouble)
    repeated: Trouble = field(default_factory=Trouble)
    backward: Trouble = field(default_factory=Trouble)
    uneven: Trouble = field(default_factory=Trouble)
    _looks: list[FloatArray] = field(default_factory=list)

    def place(
        self, times: FloatArray, numbers: NDArray[np.int64], values: SampleArray
    ) -> Iterator[SampleArray]:
        """Yield the frames of the next rows, shape (channels, frames), NaN in gaps.

        `values` (channels, rows) are left out where their time is repeated or goes back. Raises
        Unspaced for a gap that is too long.
        """
        self.rows += len(times)
        before = np.concatenate(([self.last_time], times))[:-1]
        highest = np.fmax.accumulate(before)
        # Of the very first row nothing lies before.
        good = (times > highest) | np.isnan(highest)
        self.repeated.add(numbers[times == highest])
        self.backward.add(numbers[times < highest])
        times, numbers, values = times[good], numbers[good], values[:, good]
        if not len(times):
            return
        if np.isnan(self.last_time):
            self.first_time = float(times[0])
            self.last_time = float(times[0]) - self.step
        steps = np.diff(np.concatenate(([self.last_time], times))) / self.step
        self._refuse_long(steps, numbers)
        counts = np.maximum(np.rint(steps), 1.0).astype(np.int64)
        self.uneven.add(numbers[np.abs(steps - counts) > UNEVEN])
        gaps = counts > 1
        self.gaps.add(numbers[gaps], counts[gaps] - 1)
        if self.gaps.total > MOST_MISSING:
            raise Unspaced(
                self.gaps.first[0],
                f"is the first of {self.gaps.count:,} gaps, of {self.gaps.total:,} samples in all",
                f"import what lies between as runs of their own; at most {MOST_MISSING:,} may miss",
            )
        self.last_time = float(times[-1])
        ends = np.cumsum(counts)
        self._look_at_clock(times, numbers, self.frames + ends)
        self.frames += int(ends[-1])
        begin, done = 0, 0
        while begin < len(ends):
            stop = max(int(np.searchsorted(ends, done + TOGETHER, side="right")), begin + 1)
            placed = np.full((len(values), int(ends[stop - 1]) - done), np.nan, np.float32)
            placed[:, ends[begin:stop] - done - 1] = values[:, begin:stop]
            begin, done = stop, int(ends[stop - 1])
            yield placed

    def _look_at_clock(
        self, times: FloatArray, numbers: NDArray[np.int64], ends: NDArray[np.int64]
    ) -> None:
        """Keep the times of some rows, by which a step that changes a little is told."""
        at = np.unique(np.linspace(0, len(times) - 1, LOOKS).astype(np.int64))
        self._looks.append(np.stack((times[at], ends[at].astype(np.float64), numbers[at])))

    @property
    def off(self) -> tuple[float, int]:
        """How far [s] a time is off an even rate over all rows at most, and of which row."""
        if self.frames < 2:
            return 0.0, 0
        times, ends, numbers = np.concatenate(self._looks, axis=1)
        whole = self.last_time - self.first_time
        even = self.first_time + (ends - 1) * (whole / (self.frames - 1))
        worst = int(np.argmax(np.abs(times - even)))
        return float(abs(times[worst] - even[worst])), int(numbers[worst])

    def check_clock(self) -> str:
        """Return a warning of times that are a little off an even rate, "" for none.

        To be called behind the last row. Raises Unspaced where they are far off.
        """
        off, number = self.off
        whole = self.last_time - self.first_time
        if off <= max(OFF_STEPS * self.step, LITTLE_OFF * whole):
            return ""
        words = f"is {off:.3g} s off an even rate over all rows"
        if off > FAR_OFF * whole:
            raise Unspaced(
                number, f"{words}: the step changes", "import each rate as a run of its own"
            )
        return f"the time of row {number:,} {words}: test times are as far off"

    def _refuse_long(self, steps: FloatArray, numbers: NDArray[np.int64]) -> None:
        row = int(np.argmax(steps))
        if steps[row] > LONGEST_GAP:
            raise Unspaced(
                int(numbers[row]),
                f"is {steps[row] * self.step:.6g} s after the row before, a gap of over "
                f"{LONGEST_GAP:,} samples",
                "correct the time, or import what lies before and after as two runs",
            )

    def check(self) -> None:
        """Raise Unspaced where too many rows so far have something."""
        left_out = self.repeated.count + self.backward.count
        if left_out > max(FEW, MOST_LEFT_OUT * self.rows):
            numbers = sorted(self.repeated.first + self.backward.first)
            raise Unspaced(
                numbers[0],
                f"is the first of {left_out:,} times that do not go forward, in {self.rows:,} rows",
                "write times with more decimals, sort the rows, or give --rate instead of times",
            )
        if self.uneven.count > max(FEW, MOST_UNEVEN * self.rows):
            raise Unspaced(
                self.uneven.first[0],
                f"is the first of {self.uneven.count:,} times off an even step of "
                f"{self.step:.6g} s, in {self.rows:,} rows",
                "bring the samples to an even rate, or give --rate instead of times",
            )
        if self.gaps.count > max(FEW, self.rows / 4):
            raise Unspaced(
                self.gaps.first[0],
                f"is the first of {self.gaps.count:,} gaps: the step changes from "
                f"{self.step:.6g} s",
                "import each rate as a run of its own",
            )

    @property
    def rate(self) -> float:
        """Frames a second [Hz] over all rows."""
        whole = self.last_time - self.first_time
        return plain_rate((self.frames - 1) / whole) if self.frames > 1 else 1 / self.step


def trouble_words(gaps: Trouble, repeated: Trouble, backward: Trouble) -> tuple[str, ...]:
    """Return a line for each thing that was odd about rows: how often, and where first."""
    told = []
    if gaps.count:
        told.append(
            f"{_times(gaps, 'gap')}, {gaps.total:,} missing in all, {gaps.longest:,} in the "
            f"longest, first before {_places(gaps)}"
        )
    for trouble, word in ((repeated, "repeated"), (backward, "backward")):
        if trouble.count:
            rows = _times(trouble, "row")
            told.append(f"{rows} left out, {word}, first {_places(trouble)}")
    return tuple(told)


def _times(trouble: Trouble, what: str) -> str:
    return f"{trouble.count:,} {what}{'' if trouble.count == 1 else 's'}"


def _places(trouble: Trouble) -> str:
    return "row " + ", ".join(map(str, trouble.first)) if trouble.first else ""
