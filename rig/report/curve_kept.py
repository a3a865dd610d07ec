"""Stretches of samples that a recording kept: whole cycles, and the moments about its stop."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.report.event_words import STOPPING
from rig.samples import SampleBlock

if TYPE_CHECKING:
    from rig.record.entries import FullRateRecord
    from rig.replay.recording import Recording
    from rig.samples import FloatArray

NEAR: Final = 1.15
"""A cycle in the place of 1, 10, 100 ... may be so many times that count, or fall as short."""
BEFORE: Final = 60.0
AFTER: Final = 10.0
"""Time [s] before and after the stop that is drawn."""
STOP: Final = "stop"


@dataclass(frozen=True, slots=True)
class Loop:
    """A counted cycle sample by sample: load [N] and net deflection [m], shape (n,)."""

    number: int
    load: FloatArray
    deflection: FloatArray


@dataclass(frozen=True, slots=True)
class Moments:
    """What was kept about the stop: seconds from it, and channels [SI] by name, shape (n,).

    `at` is the test time of the stop [s]; `cause` tells whether that is when the program began to
    stop, its verdict, or the end of the record. `verdict` is the test time of the last verdict,
    NaN where none came within these moments, and `event` its place among the events.
    """

    at: float
    verdict: float
    event: int
    cause: str
    seconds: FloatArray
    channels: Mapping[str, FloatArray]


def loops_of(recording: Recording, rows: int) -> tuple[Loop, ...]:
    """Return the loops kept nearest to cycles 1, 10, 100 ... and to the last of `rows`."""
    kept = [
        (first, first + frames)
        for _, first, frames, rate in recording.stretches()
        if rate == recording.rate
    ]
    wanted = [10**d for d in range(19) if 10**d < rows] + ([rows] if rows else [])
    found: dict[int, Loop] = {}
    for number in wanted if kept else ():
        loop = _loop(recording, number, kept, rows)
        if loop is not None:
            found.setdefault(loop.number, loop)
    return tuple(found.values())


def _loop(recording: Recording, number: int, kept: list[tuple[int, int]], rows: int) -> Loop | None:
    begin, end = _frames(recording, number)
    for row in (number, *_others(recording, number, begin, kept)):
        if not 1 <= row <= rows or not number / NEAR <= row <= number * NEAR:
            continue
        begin, end = (begin, end) if row == number else _frames(recording, row)
        if any(first <= begin and end <= last for first, last in kept):
            return _of_frames(recording, row, begin, end)
    return None


def _frames(recording: Recording, number: int) -> tuple[int, int]:
    row = recording.part(number - 1, number)
    return int(row.begin[0]), int(row.end[0])


def _others(
    recording: Recording, number: int, begin: int, kept: list[tuple[int, int]]
) -> tuple[int, ...]:
    """Return the first and the last cycle in the stretch that was kept nearest to one."""
    first, last = min(kept, key=lambda ends: abs((ends[0] + ends[1]) / 2 - begin))
    inside = recording.between(first / recording.rate, last / recording.rate)
    if not len(inside):
        return ()
    numbers = inside["number"]
    ends = int(numbers[0]), int(numbers[-1])
    # The last cycle of a stretch is often cut off by its end.
    return tuple(sorted({*ends, ends[1] - 1, ends[0] + 1}, key=lambda n: abs(n - number)))


def _of_frames(recording: Recording, number: int, begin: int, end: int) -> Loop | None:
    for record in recording.kept(begin, end):
        net = net_of(record)
        if record.values.shape[1] == end - begin and net is not None and "load" in record.channels:
            return Loop(number, _samples(record, "load"), net)
    return None


def net_of(record: FullRateRecord) -> FloatArray | None:
    """Return the net deflection [m] of kept samples, None where mid-span was not kept.

    A support that was not kept is taken for one that the rig does not have.
    """
    there = [
        (name, values)
        for name, values in zip(record.channels, record.values, strict=True)
        if not np.isnan(values).all()
    ]
    names = tuple(name for name, _ in there)
    if "deflection" in names:
        return _samples(record, "deflection")
    if "midspan" not in names:
        return None
    values = np.array([row for _, row in there], np.float32)
    block = SampleBlock(record.first_frame, record.rate, names, values)
    return net_deflection(block).astype(np.float64)


def _samples(record: FullRateRecord, name: str) -> FloatArray:
    found: FloatArray = record.values[record.channels.index(name)].astype(np.float64)
    return found


def moments_of(recording: Recording) -> Moments | None:
    """Return what was kept about the end of the test, None where nothing was."""
    at, cause = _stop_of(recording)
    if math.isnan(at):
        return None
    rate = recording.rate
    first, last = round((at - BEFORE) * rate), round((at + AFTER) * rate)
    records = sorted(recording.kept(first, last, STOP), key=lambda r: r.first_frame)
    if not records:
        records = sorted(recording.kept(first, last), key=lambda r: r.first_frame)
    if not records:
        return None
    frames = np.concatenate([r.first_frame + np.arange(r.values.shape[1]) for r in records])
    channels: dict[str, FloatArray] = {}
    for name in ("load", "deflection", "stroke"):
        values = np.concatenate([_channel(record, name) for record in records])
        if not np.isnan(values).all():
            channels[name] = values
    verdict, event = _verdict_of(recording, at)
    if not channels:
        return None
    return Moments(at, verdict, event, cause, frames / rate - at, channels)


def _verdict_of(recording: Recording, stop: float) -> tuple[float, int]:
    """Return test time [s] and place of the last verdict, NaN where that is not about a stop."""
    said = [(e.time, place) for place, e in enumerate(recording.events()) if e.kind == "verdict"]
    near = said and stop - BEFORE <= said[-1][0] <= stop + AFTER
    return said[-1] if near else (math.nan, -1)


def _channel(record: FullRateRecord, name: str) -> FloatArray:
    if name == "deflection":
        net = net_of(record)
        if net is not None:
            return net
    if name in record.channels:
        return _samples(record, name)
    return np.full(record.values.shape[1], np.nan)


def _stop_of(recording: Recording) -> tuple[float, str]:
    """Return the test time at which the test was last stopped, and how that is known."""
    events = recording.events()
    stopping = [e.time for e in events if e.kind == "state" and e.text.startswith(STOPPING)]
    if stopping:
        return stopping[-1], "stopping"
    verdicts = [e.time for e in events if e.kind == "verdict"]
    return (verdicts[-1], "verdict") if verdicts else (recording.ended_time, "end")
