"""Rows of the cycle table from whole cycles of samples."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rig.acquire.crossings import Boundaries
from rig.acquire.extremes import refined
from rig.acquire.gaps import elapsed, repaired
from rig.acquire.loops import stiffness_and_energy
from rig.acquire.rounding import round_significant, round_to, rounding_step
from rig.acquire.spikes import lone
from rig.samples import Cycles, Flag, FloatArray, SampleArray, column_type, cycle_columns

IndexArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Scale:
    """Names of the channels, of the signals as extraction holds them, and their measures [SI].

    `floors` (signals,) are the smallest jumps that are spikes, `steps` what values are rounded to.
    """

    channels: tuple[str, ...]
    signals: tuple[str, ...]
    floors: FloatArray
    steps: Mapping[str, float]
    rate: float


@dataclass(frozen=True, slots=True)
class Stretches:
    """Stretches of samples between crossings: one cycle each, or several in a gap.

    `starts` and `lengths` count within the samples, the first of which is frame `first`; `begun`
    and `crossed` are the crossings that begin and end each, in frames between samples.
    """

    first: int
    starts: IndexArray
    lengths: IndexArray
    begun: FloatArray
    crossed: FloatArray
    spiked: NDArray[np.bool_]


def stretches_of(first: int, crossed: float, load: SampleArray, found: Boundaries) -> Stretches:
    """Return the stretches that end with the crossings found; `crossed` begins the first."""
    ends = found.ends
    starts = np.concatenate(([0], ends[:-1]))
    crossings = first + ends - back_from(load[ends - 1], load[ends], found.middles)
    begun = np.concatenate(([crossed], crossings[:-1]))
    return Stretches(first, starts, ends - starts, begun, crossings, found.spiked)


def back_from(before: SampleArray, after: SampleArray, middles: FloatArray) -> FloatArray:
    """Return how far before its sample each crossing lies, 0 to 1 frames, on a straight line.

    0 where the sample before is missing or a spike above the level.
    """
    rise = after.astype(np.float64) - before
    back = np.divide(after - middles, rise, out=np.zeros(len(after)), where=rise > 0)
    result: FloatArray = np.minimum(back, 1.0)
    return result


def rows_of(
    scale: Scale, stretches: Stretches, samples: SampleArray, period: float | None
) -> tuple[Cycles, float | None]:
    """Return the rows of whole cycles and the length of the last in frames.

    `samples` (signals, frames), load first and net deflection last; `period` is the length of the
    last cycle before these.
    """
    columns, flags, gapped = _measured(scale, stretches, samples)
    counts, period = elapsed(stretches.lengths, gapped, period)
    first_known = stretches.first + stretches.starts + stretches.lengths + 2
    begun, begin = stretches.begun, stretches.first + stretches.starts
    each = (stretches.crossed - begun) / counts
    if counts.max() == 1:
        end = begin + stretches.lengths
    else:
        part = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)
        frames = stretches.lengths / counts
        for column in columns.values():
            column[counts > 1] = np.nan
        flags[counts > 1] = int(Flag.LONG_GAP)
        columns = {name: np.repeat(column, counts) for name, column in columns.items()}
        flags, first_known = np.repeat(flags, counts), np.repeat(first_known, counts)
        begun = np.repeat(begun, counts) + part * np.repeat(each, counts)
        start, frames = np.repeat(begin, counts), np.repeat(frames, counts)
        begin = start + np.floor(part * frames).astype(np.int64)
        end = start + np.floor((part + 1) * frames + 1e-6).astype(np.int64)
        each = np.repeat(each, counts)
    columns["time"] = round_to(begun / scale.rate, rounding_step(1 / scale.rate))
    columns["frequency"] = round_significant(scale.rate / each)
    columns["number"] = np.zeros(len(begin), np.int64)
    columns["wet"] = np.zeros(len(begin), np.uint8)
    columns["flags"] = flags
    ordered = {
        name: np.ascontiguousarray(columns[name], dtype=column_type(name))
        for name in cycle_columns(scale.channels)
    }
    return Cycles(ordered, begin, end, first_known), period


def _measured(
    scale: Scale, stretches: Stretches, samples: SampleArray
) -> tuple[dict[str, NDArray[Any]], NDArray[np.uint16], NDArray[np.bool_]]:
    """Return rounded extremes, stiffness and energy of each stretch, its flags, gaps in load."""
    starts, lengths = stretches.starts, stretches.lengths
    high, low, doubtful = refined(samples, starts, lengths, scale.floors)
    stiffness, energy = stiffness_and_energy(samples[0], samples[-1], starts, lengths)
    doubtful |= stretches.spiked
    doubtful |= _jumps(samples[-1], starts, lengths, float(scale.floors[-1]))
    flags, gapped = np.zeros(len(starts), np.uint16), np.zeros(len(starts), np.bool_)
    for i in np.flatnonzero(doubtful):
        cycle = samples[:, starts[i] : starts[i] + lengths[i] + 1]
        gapped[i] = np.isnan(cycle[0, :-1]).any()
        again = repaired(cycle, scale.floors)
        if again is not None:
            flag, high[:, i], low[:, i], stiffness[i], energy[i] = again
            flags[i] = int(flag)
    columns: dict[str, NDArray[Any]] = {
        "stiffness": round_significant(stiffness),
        "energy": round_significant(energy),
    }
    for name, top, bottom in zip(scale.signals, high, low, strict=True):
        columns[f"{name}_max"] = round_to(top, scale.steps[name])
        columns[f"{name}_min"] = round_to(bottom, scale.steps[name])
    return columns, flags, gapped


def _jumps(
    signal: SampleArray, starts: IndexArray, lengths: IndexArray, floor: float
) -> NDArray[np.bool_]:
    """Return which cycles may hold a lone spike of a signal."""
    result = np.zeros(len(starts), np.bool_)
    whole = signal[: int(starts[-1] + lengths[-1]) + 1]
    steps = whole[1:] - whole[:-1]
    if steps.max() <= floor and steps.min() >= -floor:
        return result
    suspects = lone(whole, floor)
    # What lies before a cycle may not be at hand: its own last sample stands for it.
    first, last = whole[starts], whole[starts + lengths - 1]
    ahead, behind = first - whole[starts + 1], first - last
    suspects[starts] = (ahead * behind > 0) & (
        np.minimum(np.abs(ahead), np.abs(behind)) > np.float32(floor)
    )
    result[np.searchsorted(starts, np.flatnonzero(suspects), side="right") - 1] = True
    return result


def no_rows(channels: tuple[str, ...]) -> Cycles:
    """Return a cycle table without rows."""
    none = np.empty(0, np.int64)
    columns = {n: np.empty(0, column_type(n)) for n in cycle_columns(channels)}
    return Cycles(columns, none, none, none)
