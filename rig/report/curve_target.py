"""Loads held against their target: the cycles farthest from it, and those loaded too high."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from rig.protocol.plan import Loading
    from rig.report.curve_points import Values

WORST: Final = 20
"""Cycles that are listed."""
OVERLOADED: Final = 1.02
"""Share of the upper load above which a cycle is an overload."""
MARKED: Final = 1.05
"""Share of the upper load above which one cycle marks the run as overloaded."""
_PIECE: Final = 1_000_000
_ROUNDING: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Worst:
    """A cycle by number: its loads [N], and how far the farther of both is off its target [N]."""

    number: int
    load_max: float
    load_min: float
    off: float


@dataclass(frozen=True, slots=True)
class Held:
    """How the loads of all cycles were held.

    `worst` are the cycles farthest from the target, the farthest first; `overloads` those above
    `OVERLOADED`, `marked` those above `MARKED`; `first_marked` is the first of the latter.
    """

    upper: float
    lower: float
    worst: tuple[Worst, ...]
    overloads: int
    marked: int
    first_marked: int | None


def held(load_max: Values, load_min: Values, loading: Loading) -> Held:
    """Return how the loads of cycles 1, 2, 3 ..., shape (n,) [N], were held."""
    upper, lower = loading.upper, loading.lower
    over = load_max > MARKED * upper
    marked = int(np.count_nonzero(over))
    return Held(
        upper=upper,
        lower=lower,
        worst=tuple(_worst(load_max, load_min, loading)),
        overloads=int(np.count_nonzero(load_max > OVERLOADED * upper)),
        marked=marked,
        first_marked=int(over.argmax()) + 1 if marked else None,
    )


def _worst(load_max: Values, load_min: Values, loading: Loading) -> Iterator[Worst]:
    """Give the cycles whose farther load is farthest off; of equal ones the earlier first."""
    rows = np.zeros(0, np.int64)
    for begin in range(0, len(load_max), _PIECE):
        part = slice(begin, begin + _PIECE)
        rows = np.concatenate((rows, begin + _far(load_max[part], load_min[part], loading)))
    off = _off(load_max[rows].astype(np.float64), load_min[rows].astype(np.float64), loading)
    for place in np.argsort(-off, kind="stable")[:WORST].tolist():
        row = int(rows[place])
        yield Worst(row + 1, float(load_max[row]), float(load_min[row]), float(off[place]))


def _far(load_max: Values, load_min: Values, loading: Loading) -> NDArray[np.intp]:
    """Return the rows of a piece that may be among the farthest; single precision tells so."""
    off = _off(load_max, load_min, loading)
    known = off[~np.isnan(off)]
    if len(known) <= WORST:
        return np.flatnonzero(~np.isnan(off))
    least = np.partition(known, len(known) - WORST)[len(known) - WORST]
    return np.flatnonzero(off >= least - _ROUNDING * loading.upper)


def _off(load_max: Values, load_min: Values, loading: Loading) -> Values:
    """Return the larger distance [N] of both loads from their targets, NaN where one is not."""
    found: Values = np.maximum(np.abs(load_max - loading.upper), np.abs(load_min - loading.lower))
    return found
