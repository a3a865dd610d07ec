"""Streaming extraction: blocks of samples in, finished cycles out.

`extract` never changes the state it is given. Whatever the blocks, the rows are the same bit for
bit: a cycle's samples are always brought together before anything is worked out of them.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rig.acquire.crossings import Level, boundaries
from rig.acquire.extremes import refined
from rig.acquire.gaps import repair
from rig.acquire.loops import stiffness_and_energy
from rig.acquire.rounding import round_significant, round_to, rounding_step
from rig.channels import Channel
from rig.samples import (
    Cycles,
    FloatArray,
    SampleArray,
    SampleBlock,
    column_type,
    cycle_columns,
)

TIME_FRACTION: Final = 4  # times are kept to a power of two below a quarter of a sample

IndexArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ExtractionSetup:
    """The sampled channels in the order of a block's rows, and frames per second [Hz]."""

    channels: tuple[Channel, ...]
    rate: float

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the sampled channels."""
        return tuple(c.name for c in self.channels)

    def step(self, column: str) -> float:
        """Return the rounding step of a channel's column [SI]; deflection has mid-span's."""
        name = column.rpartition("_")[0]
        wanted = "midspan" if name == "deflection" else name
        return rounding_step(next(c.resolution for c in self.channels if c.name == wanted))


@dataclass(frozen=True, slots=True, eq=False)
class ExtractionState:
    """What is carried from block to block.

    `samples` holds channels and net deflection, shape (channels + 1, n), from frame `first`,
    where the unfinished cycle begins; None before the first crossing, and `armed` tells then
    whether the load was low enough. `level` is for the next crossing; `crossed` the time of the
    last one in frames, between samples.
    """

    level: Level
    first: int
    samples: SampleArray | None = None
    armed: bool = False
    crossed: float = 0.0

    def to_plain(self) -> dict[str, Any]:
        """Return the state as plain values for a restart point."""
        packed = None
        if self.samples is not None:
            data = base64.b64encode(np.ascontiguousarray(self.samples).tobytes()).decode("ascii")
            packed = {"shape": list(self.samples.shape), "data": data}
        return {
            "level": [self.level.middle, self.level.span],
            "first": self.first,
            "samples": packed,
            "armed": self.armed,
            "crossed": self.crossed,
        }

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> ExtractionState:
        """Return the state that `to_plain` wrote."""
        packed = plain["samples"]
        samples = None
        if packed is not None:
            flat = np.frombuffer(base64.b64decode(packed["data"]), np.float32)
            samples = flat.reshape(packed["shape"]).copy()
        level = Level(*plain["level"])
        return ExtractionState(level, plain["first"], samples, plain["armed"], plain["crossed"])


def begin(middle: float, span: float, at: int) -> ExtractionState:
    """Start to look at frame `at` for cycles about a load [N], with a first range [N]."""
    return ExtractionState(Level(middle, span), at)


def extract(
    setup: ExtractionSetup, state: ExtractionState, block: SampleBlock, deflection: SampleArray
) -> tuple[ExtractionState, Cycles]:
    """Return the next state and the cycles that end in the block.

    `deflection` is the block's net deflection [m], shape (frames,). Rows are unnumbered; `wet` is
    left 0 and of the flags only GAP, LONG_GAP and SPIKE are set.
    """
    skip = 0
    if state.samples is None:
        load = block.of("load")
        state, skip = _until_first(state, block.first, load, len(setup.channels) + 1)
        if state.samples is None:
            return state, _no_rows(setup)
    samples = _joined(state.samples, block.values[:, skip:], deflection[skip:])
    load = samples[setup.names.index("load")]
    ends, level = boundaries(load, state.level)
    if len(ends) == 0:
        return replace(state, samples=samples), _no_rows(setup)
    rows, crossed = _rows(setup, state, samples, ends)
    rest = samples[:, ends[-1] :].copy()
    return replace(
        state, level=level, first=state.first + int(ends[-1]), samples=rest, crossed=crossed
    ), rows


def _joined(kept: SampleArray, values: SampleArray, deflection: SampleArray) -> SampleArray:
    """Return the carried samples and the new ones in one array, shape (channels + 1, n)."""
    held = kept.shape[1]
    joined = np.empty((len(kept), held + len(deflection)), np.float32)
    joined[:, :held] = kept
    joined[:-1, held:] = values
    joined[-1, held:] = deflection
    return joined


def _until_first(
    state: ExtractionState, first: int, load: SampleArray, signals: int
) -> tuple[ExtractionState, int]:
    """Look for the first crossing of all; what lies before it belongs to no cycle.

    Returns the state and how many of the samples are to be left out.
    """
    start = 0
    if not state.armed:
        low = np.flatnonzero(load < state.level.arms_below)
        if len(low) == 0:
            return state, 0
        start = int(low[0])
    up = np.flatnonzero(load[start:] >= state.level.middle)
    if len(up) == 0:
        return replace(state, armed=True), 0
    at = start + int(up[0])
    # The sample before may lie in the block before: so this crossing is taken at the sample.
    return replace(
        state,
        first=first + at,
        samples=np.empty((signals, 0), np.float32),
        armed=False,
        crossed=float(first + at),
    ), at


def _rows(
    setup: ExtractionSetup, state: ExtractionState, samples: SampleArray, ends: IndexArray
) -> tuple[Cycles, float]:
    """Return the rows of whole cycles and the time of the last crossing in frames."""
    starts = np.concatenate(([0], ends[:-1]))
    lengths = ends - starts
    crossings = _crossings(samples[setup.names.index("load")], state, starts, ends)
    begun = np.concatenate(([state.crossed], crossings[:-1]))
    columns = _measured(setup, samples[:, : ends[-1]], starts, lengths)
    step = rounding_step(1 / setup.rate)
    columns["time"] = round_to(begun / setup.rate, step)
    columns["frequency"] = round_significant(setup.rate / (crossings - begun))
    count = len(ends)
    columns["number"] = np.zeros(count, np.int64)
    columns["wet"] = np.zeros(count, np.uint8)
    ordered = {
        name: np.ascontiguousarray(columns[name], dtype=column_type(name))
        for name in cycle_columns(setup.names)
    }
    frames = state.first + starts
    rows = Cycles(ordered, frames, frames + lengths, frames + lengths + 1)
    return rows, float(crossings[-1])


def _crossings(
    load: SampleArray, state: ExtractionState, starts: IndexArray, ends: IndexArray
) -> FloatArray:
    """Return the closing crossing of each cycle in frames, interpolated between samples."""
    whole = load[: ends[-1]]
    high = np.fmax.reduceat(whole, starts).astype(np.float64)
    low = np.fmin.reduceat(whole, starts).astype(np.float64)
    middle = np.concatenate(([state.level.middle], ((high + low) / 2)[:-1]))
    after, before = load[ends].astype(np.float64), load[ends - 1].astype(np.float64)
    rise = after - before
    back = np.divide(after - middle, rise, out=np.zeros(len(ends)), where=rise > 0)
    result: FloatArray = state.first + ends - np.clip(np.nan_to_num(back), 0.0, 1.0)
    return result


def _measured(
    setup: ExtractionSetup, samples: SampleArray, starts: IndexArray, lengths: IndexArray
) -> dict[str, NDArray[Any]]:
    """Return extremes, stiffness, energy and flags of whole cycles, rounded."""
    names = (*setup.names, "deflection")
    at = {name: i for i, name in enumerate(names)}
    columns: dict[str, NDArray[Any]] = {}
    doubtful = np.zeros(len(starts), np.bool_)
    for name in names:
        high, low, doubt = refined(samples[at[name]], starts, lengths)
        columns[f"{name}_max"], columns[f"{name}_min"] = high, low
        doubtful |= doubt if name in ("load", "deflection") else np.isnan(high)
    load, deflection = samples[at["load"]], samples[at["deflection"]]
    columns["stiffness"], columns["energy"] = stiffness_and_energy(
        load, deflection, starts, lengths
    )
    flags = np.zeros(len(starts), np.uint16)
    for row in np.flatnonzero(doubtful):
        stretch = samples[:, starts[row] : starts[row] + lengths[row]]
        repair(stretch, names, columns, flags, int(row))
    for name in columns:
        if name in ("stiffness", "energy"):
            columns[name] = round_significant(columns[name])
        else:
            columns[name] = round_to(columns[name], setup.step(name))
    columns["flags"] = flags
    return columns


def _no_rows(setup: ExtractionSetup) -> Cycles:
    none = np.empty(0, np.int64)
    columns = {n: np.empty(0, column_type(n)) for n in cycle_columns(setup.names)}
    return Cycles(columns, none, none, none)
