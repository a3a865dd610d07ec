"""Cycles with missing samples or lone spikes: flagged, and worked out of what is valid."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.acquire.crossings import SHORT_GAP
from rig.acquire.extremes import refined
from rig.acquire.loops import stiffness_and_energy
from rig.acquire.spikes import JUMP, lone
from rig.samples import Flag, FloatArray, SampleArray

LATE: Final = 1.5  # periods: a cycle that misses samples and lasts longer was several cycles


def repaired(
    samples: SampleArray, floors: FloatArray
) -> tuple[Flag, FloatArray, FloatArray, float, float] | None:
    """Return one cycle's flags, maxima, minima, stiffness and energy from its valid samples.

    `samples` (signals, frames + 1) are the cycle's and the one after, load first and net
    deflection last; missing ones and lone spikes are bridged by a straight line between their
    neighbours. `floors` (signals,) [SI] are the smallest jumps that are spikes. None where there
    is nothing to repair. A signal that misses more than 5 % of the cycle gets NaN;
    if the load does, all do. LONG_GAP tells that load or net deflection misses that much.
    """
    frames = samples.shape[1] - 1
    missing = np.isnan(samples[:, :frames])
    lost = missing.sum(axis=1) > SHORT_GAP * frames
    if lost[0]:
        none = np.full(len(samples), np.nan)
        return Flag.LONG_GAP, none, none, np.nan, np.nan
    spikes = np.zeros_like(missing)
    bridged = samples[:, :frames].copy()
    for i in np.flatnonzero(~lost):
        signal = bridged[i]
        _bridge(signal, missing[i])
        bottom, top = np.percentile(signal, (5, 95))
        jump = max(JUMP * float(top - bottom), float(floors[i]))
        # A cycle ends where it began: its last sample stands for the one before its first.
        round_about = np.concatenate((signal[-1:], signal, samples[i, -1:]))
        spikes[i] = lone(round_about, jump)[1:-1]
        _bridge(signal, spikes[i])
    bridged[lost] = np.nan
    flags = Flag.GAP if missing.any() else Flag(0)
    if lost[-1]:
        flags = Flag.LONG_GAP
    flags |= Flag.SPIKE if spikes.any() else Flag(0)
    flags |= Flag.LOAD_SPIKE if spikes[0].any() else Flag(0)
    if not flags:
        return None
    start, length = np.zeros(1, np.int64), np.array([frames], np.int64)
    high, low, _ = refined(bridged, start, length, floors)
    stiffness, energy = stiffness_and_energy(bridged[0], bridged[-1], start, length)
    return flags, high[:, 0], low[:, 0], float(stiffness[0]), float(energy[0])


def _bridge(signal: SampleArray, gone: NDArray[np.bool_]) -> None:
    if gone.any():
        index = np.arange(len(signal))
        signal[gone] = np.interp(index[gone], index[~gone], signal[~gone])


def elapsed(
    lengths: NDArray[np.int64], gapped: NDArray[np.bool_], period: float | None
) -> tuple[NDArray[np.int64], float | None]:
    """Return how many cycles each stretch between crossings counts for, and the last period.

    A stretch that misses samples of load (`gapped`) and lasts longer than 1.5 periods counts for
    as many cycles as periods have passed; the period [frames] is the length of the last cycle
    without a gap, None before the first.
    """
    counts = np.ones(len(lengths), np.int64)
    for i in np.flatnonzero(gapped):
        whole = np.flatnonzero(~gapped[:i])
        last = float(lengths[whole[-1]]) if len(whole) else period
        if last is not None and lengths[i] > LATE * last:
            counts[i] = round(float(lengths[i]) / last)
    whole = np.flatnonzero(~gapped)
    return counts, float(lengths[whole[-1]]) if len(whole) else period
