"""Cycles in a load history: rainflow counting by ASTM E1049-85 (2017), 5.4.4 and 5.4.5."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Counted:
    """Cycles in the order in which they close, arrays of one length (n,), in the history's unit.

    `ranges` are above zero, `means` half the sum of peak and valley, `counts` 1.0, or 0.5 for half
    a cycle.
    """

    ranges: FloatArray
    means: FloatArray
    counts: FloatArray

    @property
    def upper(self) -> FloatArray:
        """The peak of each cycle, (n,)."""
        return self.means + self.ranges / 2

    @property
    def lower(self) -> FloatArray:
        """The valley of each cycle, (n,)."""
        return self.means - self.ranges / 2


def reversals(history: Sequence[float] | FloatArray) -> FloatArray:
    """Return the first value of a history (n,), each peak and valley, and the last value.

    Of equal neighbours one is kept. ValueError where a value is not finite.
    """
    values = np.asarray(history, dtype=float)
    if not np.isfinite(values).all():
        raise ValueError("a load history holds finite values only")
    if len(values) == 0:
        return values
    values = values[np.concatenate([[True], np.diff(values) != 0.0])]
    rising = np.diff(values) > 0.0
    turns = np.concatenate([[True], rising[1:] != rising[:-1], [True]])
    kept: FloatArray = values[turns] if len(values) > 1 else values
    return kept


def rainflow(history: Sequence[float] | FloatArray, *, repeating: bool = False) -> Counted:
    """Return the cycles of a load history (n,).

    Where it is `repeating` it is counted from its largest peak on and round to it again, so that
    nothing is left open: the halves that come out then make whole cycles. A history that does not
    change has none. ValueError where a value is not finite.
    """
    turns = reversals(history)
    if repeating and len(turns) > 1:
        top = int(np.argmax(turns))
        turns = reversals(np.concatenate([turns[top:], turns[: top + 1]]))
    cycles: list[tuple[float, float, float]] = []
    waiting: list[float] = []
    for turn in turns.tolist():
        waiting.append(turn)
        _close(waiting, cycles)
    cycles += [_cycle(a, b, 0.5) for a, b in pairwise(waiting)]
    ranges, means, counts = np.array(cycles, dtype=float).reshape(-1, 3).T
    return Counted(ranges, means, counts)


def _close(waiting: list[float], cycles: list[tuple[float, float, float]]) -> None:
    """Count what the newest turn closes, and take it out of the turns that wait."""
    while len(waiting) >= 3:
        newest, before = abs(waiting[-1] - waiting[-2]), abs(waiting[-2] - waiting[-3])
        if newest < before:
            return
        if len(waiting) == 3:  # the range before holds the start of the history: half a cycle
            cycles.append(_cycle(waiting[0], waiting[1], 0.5))
            del waiting[0]
        else:
            cycles.append(_cycle(waiting[-3], waiting[-2], 1.0))
            del waiting[-3:-1]


def _cycle(start: float, end: float, count: float) -> tuple[float, float, float]:
    return abs(end - start), (start + end) / 2, count
