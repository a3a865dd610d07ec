"""The points of a Modbus device: which are read together, and what their bits and registers say.

Pure: nothing here asks anything.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

from drivers import modbus
from rig.channels import channel_unit, shown
from rig.protocol.wire import ROLES, ModbusDevice, Point

OUTPUTS: Final = frozenset({"pump", "horn", "shunt"})
"""Bits that are written; they are read only to see that they were."""
INPUTS_EVERY: Final = 0.05
"""Time [s] between two readings of an input."""
OUTPUTS_EVERY: Final = 0.15
"""Time [s] between two questions to a device that has outputs and no inputs: a third of half a
second, the usual time of a watchdog. Common practice, no source."""
REGISTERS: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
"""Registers that a point of each kind takes."""

_FORMATS: Final = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
_BITS: Final = frozenset({"coil", "discrete"})


@dataclass(frozen=True, slots=True)
class Group:
    """Neighbouring points of one table that one question reads, every so many seconds."""

    table: str
    at: int
    count: int
    points: tuple[Point, ...]
    every: float

    @property
    def is_input(self) -> bool:
        """Whether it holds inputs, which must never be stale."""
        return any(_is_input(point) for point in self.points)

    @property
    def characters(self) -> int:
        """Bytes on the line of its question and reply."""
        number = (self.count + 7) // 8 if self.table in _BITS else 2 * self.count
        return 8 + 5 + number


@dataclass(frozen=True, slots=True)
class Reading:
    """What a point says: a value [SI], NaN for none, or 1 and 0 for a bit; why it is none."""

    value: float
    why: str = ""


def groups_of(points: Iterable[Point]) -> tuple[Group, ...]:
    """Return the questions that read all points.

    Only what lies side by side is read together: a device refuses to read what it has not got.
    Outputs are read where nothing else is read as often: their watchdog wants questions.
    """
    every = list(points)
    read = [point for point in every if point.what not in OUTPUTS]
    if not any(map(_is_input, read)):
        read = every
    read.sort(key=lambda p: (p.table, _every(p), p.at, p.what))
    return tuple(
        group
        for _, one in groupby(read, key=lambda p: (p.table, _every(p)))
        for group in _neighbours(tuple(one))
    )


def readings(group: Group, reply: bytes) -> dict[str, Reading]:
    """Return what the points of a group say in a reply PDU, by what they are."""
    if group.table in _BITS:
        bits = modbus.bits(reply, group.count)
        return {p.what: Reading(float(bits[p.at - group.at] == p.true_is)) for p in group.points}
    words = modbus.registers(reply)
    return {p.what: reading(p, words[p.at - group.at :]) for p in group.points}


def reading(point: Point, words: Sequence[int]) -> Reading:
    """Return what a point says whose first register is the first of `words`."""
    said = number(point.kind, words, high_first=point.high_first)
    value = point.scaling.si(said)
    if not math.isfinite(value):
        return Reading(math.nan, f"{point.what} says {said}, which is no number")
    low = point.low
    if channel_unit(point.what) == "K":
        low = max(low, 0.0)  # a sensor that is not there says its lowest number
    if low <= value <= point.high:
        return Reading(value)
    said_so = f"{point.what} says {shown(point.what, value)}"
    return Reading(math.nan, f"{said_so}, allowed is {shown(point.what, low, point.high)}")


def number(kind: str, words: Sequence[int], *, high_first: bool) -> float:
    """Return the number in one or two registers, the high word first or last."""
    taken = list(words[: REGISTERS[kind]])
    if not high_first:
        taken.reverse()
    data = struct.pack(f">{len(taken)}H", *taken)
    return float(struct.unpack(_FORMATS[kind], data)[0])


def point_of(device: ModbusDevice, what: str) -> Point | None:
    """Return the point of a device that is something, None where it has none."""
    return next((point for point in device.points if point.what == what), None)


def _is_input(point: Point) -> bool:
    return point.what in ROLES and point.what not in OUTPUTS


def _every(point: Point) -> float:
    if point.what in OUTPUTS:
        return OUTPUTS_EVERY
    return INPUTS_EVERY if _is_input(point) else point.every


def _neighbours(points: tuple[Point, ...]) -> list[Group]:
    """Cut points of one table, in the order of their addresses, where something lies between."""
    most = modbus.MOST_BITS if points[0].table in _BITS else modbus.MOST_REGISTERS
    runs: list[list[Point]] = []
    end = -1
    for point in points:
        last = point.at + _width(point)
        if runs and point.at <= end and last - runs[-1][0].at <= most:
            runs[-1].append(point)
            end = max(end, last)
        else:
            runs.append([point])
            end = last
    return [_group(run) for run in runs]


def _group(run: list[Point]) -> Group:
    first = run[0]
    end = max(point.at + _width(point) for point in run)
    return Group(first.table, first.at, end - first.at, tuple(run), _every(first))


def _width(point: Point) -> int:
    return 1 if point.table in _BITS else REGISTERS[point.kind]
