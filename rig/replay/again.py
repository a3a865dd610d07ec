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
_TOLD: Final = int(Flag.GAP | Flag.LONG_GAP | Flag.SPIKE)
"""Flags that the samples of a cycle tell by themselves."""
_NOT_TOLD: Final = frozenset({"number", "wet"})


@dataclass(frozen=True, slots=True)
class Again:
    """How many cycles were found again, and in sentences where they differ from the record."""

    cycles: int
    sentences: tuple[str, ...]


def found_again(recording: Recording, stretches: Sequence[Sequence[Cycles]]) -> Again:
    """Hold the cycles found in each stretch of samples against the recorded rows."""
    cycles, counts = 0, []
    columns: dict[str, list[tuple[int, float, float]]] = {}
    for stretch in stretches:
        found = _joined(stretch)
        if found is None:
            continue
        period = float(np.median(found.end - found.begin)) / recording.rate
        times = found["time"]
        kept = recording.between(float(times[0]) - period / 4, float(times[-1]) + period / 4)
        here, there = _pairs(times, kept["time"], period / 2)
        cycles += len(here)
        if len(found) != len(kept) or len(here) != len(kept):
            counts.append(_count(found, kept))
        for name in (n for n in found.columns if n not in _NOT_TOLD):
            now, then = found.columns[name][here], kept.columns[name][there]
            if name == "flags":
                now, then = now.astype(np.int64) & _TOLD, then.astype(np.int64) & _TOLD
            for row in np.flatnonzero(~((now == then) | ((now != now) & (then != then)))):
                number = int(kept["number"][there[row]])
                columns.setdefault(name, []).append((number, float(then[row]), float(now[row])))
    told = [_column(name, found, cycles) for name, found in columns.items()]
    return Again(cycles, (*counts, *told))


def _joined(stretch: Sequence[Cycles]) -> Cycles | None:
    """Return the cycles of a stretch that are sure, None where there are none."""
    if sum(map(len, stretch)) <= UNSURE:
        return None
    names = stretch[0].columns
    whole = Cycles(
        {name: np.concatenate([part.columns[name] for part in stretch]) for name in names},
        np.concatenate([part.begin for part in stretch]),
        np.concatenate([part.end for part in stretch]),
        np.concatenate([part.known for part in stretch]),
    )
    return whole.part(UNSURE, len(whole))


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


def _column(name: str, differ: Sequence[tuple[int, float, float]], cycles: int) -> str:
    cycle, then, now = differ[0]
    return (
        f"{name} of {len(differ):,} of {cycles:,} cycles found again differs, first in cycle "
        f"{cycle:,}: recorded {then:.9g}, now {now:.9g}"
    )
