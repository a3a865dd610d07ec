"""Spoils the samples of channels: noise, hum, spikes, gaps, slipping sensors, ends of travel."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from rig.channels import Channel
from rig.samples import FloatArray, SampleArray
from simulators.draws import Draws
from simulators.motion import Cycling
from simulators.spoiled import (
    Gaps,
    Hum,
    Leaning,
    Noisy,
    OutOfTravel,
    Shifted,
    Slipping,
    Spiking,
    Spoiled,
)
from simulators.state import RigState, World

Part = tuple[RigState, int, int]
"""Frames [begin, end) of a stretch, with the state in which that began."""

_USE: Final = 1 << 10  # of draws, beside those of disturbances


@dataclass(frozen=True, slots=True)
class _One:
    spoiled: Spoiled
    draws: Draws


class Spoiling:
    """What is spoiled of a rig's channels; false for a channel of which nothing is."""

    def __init__(self, world: World, seed: int) -> None:
        self._world = world
        known = enumerate(world.setup.spoiled)
        self._all = [_One(s, Draws(seed, _USE + number)) for number, s in known]

    def concerns(self, channel: str) -> bool:
        """Tell whether a channel is ever spoiled."""
        return any(one.spoiled.channel == channel for one in self._all)

    def apply(self, out: SampleArray, first: int, channel: Channel, parts: list[Part]) -> None:
        """Spoil a row of samples [SI] from frame `first` on, of which `parts` tell the states."""
        spoiled = [
            self._one(out, first, one, parts)
            for one in self._all
            if one.spoiled.channel == channel.name
        ]
        # A converter shows whole steps of what comes to it, and nothing beyond its range. What is
        # not spoiled stays as it is, or samples would depend on how they were cut.
        unit = np.float32(channel.resolution or 1.0)
        for begin, end in spoiled:
            view = out[begin:end]
            if channel.resolution:
                np.rint(view / unit, out=view)
                np.multiply(view, unit, out=view)
            np.clip(view, np.float32(channel.low), np.float32(channel.high), out=view)

    def _one(self, out: SampleArray, first: int, one: _One, parts: list[Part]) -> tuple[int, int]:
        """Spoil a row; return the samples [begin, end) of which any may be."""
        spoiled = one.spoiled
        if isinstance(spoiled, Slipping):
            return self._slip(out, first, spoiled, one.draws, parts)
        begin = max(spoiled.begin, first)
        end = min(spoiled.end, first + len(out))
        if begin >= end:
            return 0, 0
        view = out[begin - first : end - first]
        if isinstance(spoiled, Spiking):
            _spike(view, begin, spoiled, one.draws)
        elif isinstance(spoiled, Gaps):
            _lose(view, begin, spoiled, one.draws)
        elif isinstance(spoiled, OutOfTravel):
            np.minimum(view, np.float32(spoiled.most), out=view)
        else:
            view += self._added(spoiled, np.arange(begin, end), one.draws).astype(np.float32)
        return begin - first, end - first

    def _added(self, spoiled: Noisy | Shifted | Hum | Leaning, n: Any, draws: Draws) -> FloatArray:
        """Return what a channel shows too much at frames [SI]."""
        match spoiled:
            case Noisy():
                return spoiled.deviation * draws.normal(int(n[0]), len(n))
            case Hum():
                turn = 2 * math.pi * spoiled.frequency / self._world.rate
                wave: FloatArray = spoiled.amplitude * np.sin(turn * n)
                return wave
            case Leaning():
                part = (n - spoiled.begin) / (spoiled.end - spoiled.begin)
                swell: FloatArray = spoiled.by * np.sin(math.pi * part) ** 2
                return swell
            case Shifted():
                return np.full(len(n), spoiled.by)

    def _slip(
        self, out: SampleArray, first: int, slipping: Slipping, draws: Draws, parts: list[Part]
    ) -> tuple[int, int]:
        slipped = len(out)
        for state, begin, end in parts:
            mark = self._world.around.mark(slipping, state.marks)
            if mark < 0:
                continue
            had, each = state.specimen.cycles - mark, 0.0
            if isinstance(state.motion, Cycling):
                each = state.motion.frequency / self._world.rate
            at, by = _slips(slipping, draws, had + each * (end + 1 - state.frame))
            before = at <= had
            view = out[begin - first : end - first]
            if before.any():
                view += np.float32(by[before].sum())
                slipped = min(slipped, begin - first)
            for cycles, step in zip(at[~before], by[~before], strict=True):
                late = max(state.frame + math.ceil((cycles - had) / each) - begin, 0)
                view[late:] += np.float32(step)
                slipped = min(slipped, begin - first + late)
        return slipped, len(out)


def _slips(slipping: Slipping, draws: Draws, cycles: float) -> tuple[FloatArray, FloatArray]:
    """Return after how many cycles a sensor slips, up to a count of them, and by how much."""
    count = int(cycles / slipping.every) + 1
    places, sizes = draws.uniform(0, 2 * count).reshape(count, 2).T
    at = (np.arange(count) + places) * slipping.every
    slipped = at <= cycles
    return at[slipped], slipping.by * (0.5 + sizes[slipped])


def _intervals(begin: int, end: int, spoiled: Spiking | Gaps) -> tuple[int, int]:
    """Return the first of the intervals that frames lie in, and how many they are."""
    low = (begin - spoiled.begin) // spoiled.every
    return low, (end - 1 - spoiled.begin) // spoiled.every - low + 1


def _spike(view: SampleArray, begin: int, spiking: Spiking, draws: Draws) -> None:
    low, count = _intervals(begin, begin + len(view), spiking)
    drawn = draws.uniform(2 * low, 2 * count).reshape(count, 2)
    for number, (place, size) in enumerate(drawn, low):
        frame = spiking.begin + number * spiking.every + int(place * spiking.every)
        if begin <= frame < begin + len(view):
            sign = 1 if size < 0.5 else -1
            view[frame - begin] += np.float32(sign * spiking.by * (0.75 + abs(size - 0.5)))


def _lose(view: SampleArray, begin: int, gaps: Gaps, draws: Draws) -> None:
    low, count = _intervals(begin, begin + len(view), gaps)
    drawn = draws.uniform(2 * low, 2 * count).reshape(count, 2)
    for number, (place, length) in enumerate(drawn, low):
        missing = 1 + int(length * gaps.longest)
        room = max(gaps.every - missing, 0)
        lost = gaps.begin + number * gaps.every + int(place * room) - begin
        view[max(lost, 0) : max(lost + missing, 0)] = np.nan
