"""Cycles with missing samples or lone spikes: flagged, and worked out of what is valid."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.acquire.extremes import refined
from rig.acquire.loops import stiffness_and_energy
from rig.samples import Flag, SampleArray

SHORT_GAP: Final = 0.05  # of a cycle: up to it samples may miss and the cycle is judged
JUMP: Final = 0.20  # of the range: a lone sample that jumps further and comes back is a spike


def repair(
    samples: SampleArray,
    names: tuple[str, ...],
    columns: dict[str, NDArray[Any]],
    flags: NDArray[np.uint16],
    row: int,
) -> None:
    """Work out one cycle's row again from its valid samples, and flag it.

    `samples` (channels, frames) are the cycle's; missing ones and lone spikes are bridged by a
    straight line between their neighbours. A cycle that misses more than 5 % gets NaN.
    """
    bridged = samples.astype(np.float32)
    missing = np.zeros(samples.shape[1], np.bool_)
    spiked = False
    for signal in bridged:
        gone = np.isnan(signal)
        missing |= gone
        if gone.all():
            continue
        _bridge(signal, gone)
        lone = _lone_jumps(signal)
        if lone.any():
            spiked = True
            _bridge(signal, lone)
    share = float(np.count_nonzero(missing)) / len(missing)
    if share > SHORT_GAP:
        flags[row] |= np.uint16(Flag.LONG_GAP)
        for column in columns.values():
            column[row] = np.nan
        return
    if not missing.any() and not spiked:
        return
    if missing.any():
        flags[row] |= np.uint16(Flag.GAP)
    if spiked:
        flags[row] |= np.uint16(Flag.SPIKE)
    _again(bridged, names, columns, row)


def _again(
    bridged: SampleArray, names: tuple[str, ...], columns: dict[str, NDArray[Any]], row: int
) -> None:
    start, length = np.zeros(1, np.int64), np.array([bridged.shape[1]], np.int64)
    for name, signal in zip(names, bridged, strict=True):
        high, low, _ = refined(signal, start, length)
        columns[f"{name}_max"][row], columns[f"{name}_min"][row] = high[0], low[0]
    at = {name: i for i, name in enumerate(names)}
    stiffness, energy = stiffness_and_energy(
        bridged[at["load"]], bridged[at["deflection"]], start, length
    )
    columns["stiffness"][row], columns["energy"][row] = stiffness[0], energy[0]


def _bridge(signal: SampleArray, gone: NDArray[np.bool_]) -> None:
    if gone.any():
        index = np.arange(len(signal))
        signal[gone] = np.interp(index[gone], index[~gone], signal[~gone])


def _lone_jumps(signal: SampleArray) -> NDArray[np.bool_]:
    """Return which samples jump away from both neighbours, further than the signal itself could."""
    lone = np.zeros(len(signal), np.bool_)
    if len(signal) < 3:
        return lone
    span = float(np.percentile(signal, 95) - np.percentile(signal, 5))
    ahead, behind = signal[1:-1] - signal[:-2], signal[1:-1] - signal[2:]
    lone[1:-1] = (ahead * behind > 0) & (
        np.minimum(np.abs(ahead), np.abs(behind)) > max(JUMP * span, 1e-12)
    )
    return lone
