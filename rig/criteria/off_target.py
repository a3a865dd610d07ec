"""A load that leaves its target again and again, and the specimen with it: oil, pump or valve.

Another rig that starts on the same pump takes a few cycles each time: too few to be a load that is
short, and what is added meanwhile comes too late. Where net deflection tells of another load
a cell is wrong, or the specimen softens: then nothing is told here. Figures: common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import Cycles, Flag

OFF: Final = 0.01
"""Of the load range; the load error that is allowed."""
ON: Final = 0.005
"""Of the load range: so near its target the load is on it."""
CYCLES: Final = 11
WITHIN: Final = 3600.0
"""So many cycles within so many seconds are told, and told anew after as long without one."""
BENDS_TOO: Final = 0.5
"""Of the error, by which the load that net deflection tells may differ from what is read."""
BREAK: Final = 2.0
"""Periods without a cycle: what follows is a build-up, and its last cycles are not on target."""

_UNUSABLE: Final = int(Flag.GAP | Flag.LONG_GAP | Flag.SPIKE | Flag.AFTER_END)


@dataclass(frozen=True, slots=True)
class OffTarget:
    """What is told at a row: since which cycle, in words, and in numbers."""

    row: int
    first: int
    text: str
    evidence: dict[str, float]


@dataclass(frozen=True, slots=True)
class TargetState:
    """What is kept from call to call.

    `off` holds, of the last cycles off their target, time [s], share of the range and number.
    `stiff` is the load range over the deflection range [N/m] of the last cycle on target, 0 where
    none has been since a break; `due` [s] is when the next cycle would begin, `told` when it was
    told or still true.
    """

    off: tuple[tuple[float, float, float], ...] = ()
    stiff: float = 0.0
    due: float = -np.inf
    told: float = -np.inf

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point."""
        return asdict(self)

    @staticmethod
    def from_plain(plain: Mapping[str, Any] | None) -> TargetState:
        """Return the state that `to_plain` wrote; a version before this one wrote none."""
        if plain is None:
            return TargetState()
        off = tuple((t, share, number) for t, share, number in plain["off"])
        return TargetState(off, plain["stiff"], plain["due"], plain["told"])


def find_off_target(
    target: float, state: TargetState, rows: Cycles
) -> tuple[TargetState, tuple[OffTarget, ...]]:
    """Find load ranges off their target [N] by more than 1 % in 11 cycles of an hour."""
    spans = (rows["load_max"] - rows["load_min"]).astype(np.float64)
    error = (spans - target) / target
    times, period = rows["time"].astype(np.float64), 1 / rows["frequency"].astype(np.float64)
    usable = ((rows["flags"].astype(np.int64) & _UNUSABLE) == 0) & np.isfinite(error)
    due = np.concatenate(([state.due], (times + period)[:-1]))
    with np.errstate(invalid="ignore"):
        broken = times - due > BREAK * period
    after = replace(state, due=float(times[-1] + period[-1]))
    on = usable & (np.abs(error) <= ON)
    off = usable & (np.abs(error) > OFF)
    stiff = _stiff_before(rows, spans, on, broken, state.stiff)
    after = replace(after, stiff=float(stiff[-1]))
    if not off.any():
        return after, ()
    bent = rows["deflection_max"].astype(np.float64) - rows["deflection_min"]
    with np.errstate(invalid="ignore"):
        off &= np.abs(bent * stiff - spans) <= BENDS_TOO * np.abs(spans - target)
    told = []
    for row in np.flatnonzero(off & (stiff > 0)):
        after, found = _another(after, rows, int(row), float(error[row]))
        told += [found] if found is not None else []
    return after, tuple(told)


def _stiff_before(
    rows: Cycles,
    spans: NDArray[np.float64],
    on: NDArray[np.bool_],
    broken: NDArray[np.bool_],
    kept: float,
) -> NDArray[np.float64]:
    """Return load over deflection range of the last cycle on target up to each row, 0 for none."""
    bent = rows["deflection_max"].astype(np.float64) - rows["deflection_min"]
    own = np.divide(spans, bent, out=np.zeros(len(spans)), where=bent > 0)
    places = np.arange(1, len(spans) + 1)
    last = np.maximum.accumulate(np.where(on & (own > 0), places, 0))
    since = np.maximum.accumulate(np.where(broken, places, 0))
    found = np.concatenate(([kept], own))[last]
    result: NDArray[np.float64] = np.where(last >= since, found, 0.0)
    return result


def _another(
    state: TargetState, rows: Cycles, row: int, error: float
) -> tuple[TargetState, OffTarget | None]:
    """Return the state after one more cycle off its target, and what is told of it."""
    time, number = float(rows["time"][row]), float(rows["number"][row])
    off = (*state.off, (time, error, number))[-CYCLES:]
    after = replace(state, off=off)
    if len(off) < CYCLES or time - off[0][0] > WITHIN:
        return after, None
    after = replace(after, told=time)
    return after, _told(row, off) if time - state.told > WITHIN else None


def _told(row: int, off: tuple[tuple[float, float, float], ...]) -> OffTarget:
    worst = max((share for _, share, _ in off), key=abs)
    minutes = max((off[-1][0] - off[0][0]) / 60, 1.0)
    how = "short" if worst < 0 else "too much"
    text = (
        f"load range more than {OFF:.0%} off target in {CYCLES} cycles within {minutes:.0f} min, "
        f"{abs(worst):.1%} {how} at worst, and the specimen bent accordingly: look at the oil, at "
        "other rigs on the pump, at valve and servo gain"
    )
    return OffTarget(row, int(off[0][2]), text, {"worst": worst, "cycles": float(CYCLES)})
