"""Streaming extraction: blocks of samples in, finished cycles out.

`extract` never changes the state it is given. Whatever the blocks, the rows are the same bit for
bit: a cycle's samples are always brought together before anything is worked out of them.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from rig.acquire.crossings import Boundaries, Level, boundaries, one_boundary
from rig.acquire.rounding import rounding_step
from rig.acquire.rows import Scale, back_from, no_rows, rows_of, stretches_of
from rig.acquire.spikes import FLOOR
from rig.channels import Channel
from rig.samples import Cycles, FloatArray, SampleArray, SampleBlock

FLOAT32_BITS: Final = 23  # one bit is left for a signal somewhat beyond its range


@dataclass(frozen=True, slots=True)
class ExtractionSetup:
    """The sampled channels in the order of a block's rows, and frames per second [Hz].

    Raises ValueError where load or mid-span is not among the channels.
    """

    channels: tuple[Channel, ...]
    rate: float

    def __post_init__(self) -> None:
        for needed in ("load", "midspan"):
            if needed not in self.names:
                raise ValueError(f"cycles need the channel {needed}, sampled are {self.names}")

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the sampled channels."""
        return tuple(c.name for c in self.channels)

    @property
    def order(self) -> tuple[str, ...]:
        """Names of the signals as extraction holds them: load first, net deflection last."""
        return ("load", *(n for n in self.names if n != "load"), "deflection")

    def channel(self, signal: str) -> Channel:
        """Return the channel whose resolution and range a signal has: mid-span's for deflection."""
        wanted = "midspan" if signal == "deflection" else signal
        return next(c for c in self.channels if c.name == wanted)

    def step(self, signal: str) -> float:
        """Return the rounding step of a signal [SI], no finer than float32 holds at its range."""
        channel = self.channel(signal)
        reach = max(abs(channel.low), abs(channel.high))
        finest = 2.0 ** (math.frexp(reach)[1] - FLOAT32_BITS) if math.isfinite(reach) else 0.0
        return max(rounding_step(channel.resolution), finest)

    def floors(self) -> FloatArray:
        """Return the smallest jump of each signal [SI] that is a spike."""
        of = [self.channel(name) for name in self.order]
        return np.array([FLOOR * (c.high - c.low) for c in of])


@dataclass(frozen=True, slots=True, eq=False)
class ExtractionState:
    """What is carried from block to block.

    `samples`, shape (channels + 1, n), float32, holds the signals in the setup's order from frame
    `first` on, where the unfinished cycle begins (or, before the first crossing, where the search
    does; `cycling` is then false and `armed` tells whether the load was low enough). `level` is
    for the next crossing; `crossed` the time of the last one in frames, between samples; `period`
    the length of the last whole cycle in frames.
    """

    level: Level
    first: int
    samples: SampleArray | None = None
    cycling: bool = False
    armed: bool = False
    crossed: float = 0.0
    period: float | None = None

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
            "cycling": self.cycling,
            "armed": self.armed,
            "crossed": self.crossed,
            "period": self.period,
        }

    @staticmethod
    def from_plain(plain: Mapping[str, Any]) -> ExtractionState:
        """Return the state that `to_plain` wrote."""
        packed = plain["samples"]
        samples = None
        if packed is not None:
            flat = np.frombuffer(base64.b64decode(packed["data"]), np.float32)
            samples = flat.reshape(packed["shape"]).copy()
        return ExtractionState(
            Level(*plain["level"]),
            plain["first"],
            samples,
            plain["cycling"],
            plain["armed"],
            plain["crossed"],
            plain["period"],
        )


def begin(middle: float, span: float, at: int) -> ExtractionState:
    """Start to look at frame `at` for cycles about a load [N], with a first range [N]."""
    return ExtractionState(Level(middle, span), at)


def extract(
    setup: ExtractionSetup, state: ExtractionState, block: SampleBlock, deflection: SampleArray
) -> tuple[ExtractionState, Cycles]:
    """Return the next state and the cycles that end in the block.

    `deflection` is the block's net deflection [m], shape (frames,). Rows are unnumbered; `wet` is
    left 0 and of the flags only those of gaps and spikes are set. A closing crossing is known with
    the sample after it, which shows that it was no lone spike.
    """
    state, samples = _joined(setup, state, block, deflection)
    floor = float(setup.floors()[0])
    if not state.cycling:
        state = _until_first(state, samples, floor)
        if not state.cycling or state.samples is None:
            return state, no_rows(setup.names)
        samples = state.samples
    found = boundaries(samples[0], state.level, floor)
    if len(found.ends) == 0:
        return replace(state, samples=samples), no_rows(setup.names)
    return _finished(setup, state, samples, found)


def _joined(
    setup: ExtractionSetup, state: ExtractionState, block: SampleBlock, deflection: SampleArray
) -> tuple[ExtractionState, SampleArray]:
    """Return the state and carried and new samples together, in the setup's order."""
    carried, skip = state.samples, 0
    if carried is None or carried.shape[1] == 0:
        skip = min(max(state.first - block.first, 0), block.frames)
        carried = np.empty((len(setup.channels) + 1, 0), np.float32)
        state = replace(state, first=max(state.first, block.first))
    old = carried.shape[1]
    if state.first + old != block.first + skip and skip < block.frames:
        raise ValueError(
            f"a block begins at frame {block.first}, expected is frame {state.first + old}"
        )
    samples = np.empty((len(carried), old + block.frames - skip), np.float32)
    samples[:, :old] = carried
    for row, name in zip(samples, setup.order, strict=True):
        row[old:] = (deflection if name == "deflection" else block.of(name))[skip:]
    return state, samples


def _until_first(state: ExtractionState, samples: SampleArray, floor: float) -> ExtractionState:
    """Look for the first crossing of all; what lies before it belongs to no cycle."""
    load, level = samples[0], state.level
    scan = one_boundary(load, 0, level, floor, first=True, armed=state.armed)
    if scan.at is None:
        # The last sample is not settled, and the one before it is needed to settle it.
        done = max(len(load) - 2, 0)
        return replace(
            state,
            first=state.first + done,
            samples=samples[:, done:].copy(),
            armed=scan.armed,
        )
    frame = state.first + scan.at
    before = np.array([load[scan.at - 1]])
    back = back_from(before, load[scan.at : scan.at + 1], np.array([level.middle]))
    return replace(
        state,
        first=frame,
        samples=samples[:, scan.at :],
        cycling=True,
        armed=False,
        crossed=frame - float(back[0]),
    )


def _finished(
    setup: ExtractionSetup, state: ExtractionState, samples: SampleArray, found: Boundaries
) -> tuple[ExtractionState, Cycles]:
    """Return the state after the crossings found and the rows of the cycles they end."""
    stretches = stretches_of(state.first, state.crossed, samples[0], found)
    last = int(found.ends[-1])
    scale = Scale(
        setup.names,
        setup.order,
        setup.floors(),
        {name: setup.step(name) for name in setup.order},
        setup.rate,
    )
    rows, period = rows_of(scale, stretches, samples, state.period)
    return replace(
        state,
        level=found.level,
        first=state.first + last,
        samples=samples[:, last:].copy(),
        crossed=float(stretches.crossed[-1]),
        period=period,
    ), rows
