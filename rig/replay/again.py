"""Cycles found again in kept samples, held against the rows that were recorded of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.replay.recording import Recording
from rig.samples import Cycles, Flag, FloatArray

UNSURE: Final = 2
"""First cycles of a stretch: the levels that they begin with were those of cycles not kept."""
_TOLD: Final = int(Flag.GAP | Flag.LONG_GAP | Flag.SPIKE | Flag.LOAD_SPIKE)
"""Flags that the samples of a cycle tell by themselves."""
_NOT_TOLD: Final = frozenset({"number", "wet"})


@dataclass(frozen=True, slots=True)
class Again:
    """How many cycles were found again, and in sentences where they differ from the record."""

    cycles: int
    sentences: tuple[str, ...]


class Comparison:
    """Holds cycles found in one stretch of samples after the other against the recorded rows."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        simulated = recording.header.simulated
        taken_up = (e.time for e in recording.events() if e.kind == "resume" and simulated)
        self._taken_up = sorted(set(taken_up))
        self._cycles = 0
        self._counts: list[str] = []
        self._columns: dict[str, tuple[int, _Unlike]] = {}

    def take(self, stretch: Sequence[Cycles], unsure: int = UNSURE) -> None:
        """Take the cycles of a stretch, of which the first ones may be `unsure`."""
        found = _joined(stretch, unsure)
        if found is None:
            return
        rate = self._recording.rate
        period = float(np.median(found.end - found.begin)) / rate
        times = found["time"]
        kept = self._recording.between(float(times[0]) - period / 4, float(times[-1]) + period / 4)
        if given_up := self._given_up(times, kept["time"], period):
            found = found.part(0, len(found) - given_up)
            times = found["time"]
        here, there = _pairs(times, kept["time"], period / 2)
        self._cycles += len(here)
        if len(found) != len(kept) or len(here) != len(kept):
            self._counts.append(_count(found, kept))
        for name in (n for n in found.columns if n not in _NOT_TOLD):
            now, then = found.columns[name][here], kept.columns[name][there]
            if name == "flags":
                now, then = now.astype(np.int64) & _TOLD, then.astype(np.int64) & _TOLD
            unlike = np.flatnonzero(~((now == then) | ((now != now) & (then != then))))
            if len(unlike):
                row = int(unlike[0])
                number = int(kept["number"][there[row]])
                first = _Unlike(number, float(then[row]), float(now[row]))
                before, kept_first = self._columns.get(name, (0, first))
                self._columns[name] = before + len(unlike), kept_first

    def _given_up(self, times: FloatArray, kept: FloatArray, period: float) -> int:
        """Return how many last cycles of a stretch have no rows because they were given up.

        A simulated specimen that is taken up goes back to its restart point: the samples that were
        kept behind it stay, the rows do not.
        """
        if not any(at > times[-1] for at in self._taken_up):
            return 0
        end = float(times[-1])
        if len(self._recording.between(end + period / 2, end + 10 * period)):
            return 0
        last = float(kept[-1]) if len(kept) else -np.inf
        return int(np.count_nonzero(times > last + period / 2))

    def told(self) -> Again:
        """Return what was found so far."""
        told = [_column(name, *found, self._cycles) for name, found in self._columns.items()]
        return Again(self._cycles, (*self._counts, *told))


@dataclass(frozen=True, slots=True)
class _Unlike:
    """A cycle's value as it was recorded, and as it is found now."""

    cycle: int
    then: float
    now: float


def found_again(recording: Recording, stretches: Sequence[Sequence[Cycles]]) -> Again:
    """Hold the cycles found in each stretch of samples against the recorded rows."""
    comparison = Comparison(recording)
    for stretch in stretches:
        comparison.take(stretch)
    return comparison.told()


def _joined(stretch: Sequence[Cycles], unsure: int) -> Cycles | None:
    """Return the cycles of a stretch that are sure, None where there are none."""
    if sum(map(len, stretch)) <= unsure:
        return None
    names = stretch[0].columns
    whole = Cycles(
        {name: np.concatenate([part.columns[name] for part in stretch]) for name in names},
        np.concatenate([part.begin for part in stretch]),
        np.concatenate([part.end for part in stretch]),
        np.concatenate([part.known for part in stretch]),
    )
    return whole.part(unsure, len(whole))


def _pairs(
    found: FloatArray, kept: FloatArray, near: float
) -> tuple[np.ndarray[tuple[int], np.dtype[np.intp]], np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Return the indices of cycles that began at the same time [s], `near` enough to it."""
    if not len(kept):
        none = np.empty(0, np.intp)
        return none, none
    after = (
        np.clip(np.searchsorted(kept, found), 1, max(len(kept) - 1, 1))
        if len(kept) > 1
        else (np.zeros(len(found), np.intp))
    )
    closer = (after > 0) & (np.abs(kept[after - 1] - found) <= np.abs(kept[after] - found))
    there = after - closer
    here = np.flatnonzero(np.abs(kept[there] - found) < near)
    return here, there[here]


def _count(found: Cycles, kept: Cycles) -> str:
    about = f"from {float(found['time'][0]):.2f} s on"
    if len(kept):
        about = f"about cycles {int(kept['number'][0]):,} to {int(kept['number'][-1]):,}"
    return f"{about}: {len(found):,} cycles are found in the samples, {len(kept):,} were recorded"


def _column(name: str, rows: int, first: _Unlike, cycles: int) -> str:
    return (
        f"{name} of {rows:,} of {cycles:,} cycles found again differs, first in cycle "
        f"{first.cycle:,}: recorded {first.then:.9g}, now {first.now:.9g}"
    )
