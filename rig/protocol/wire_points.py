"""`[[modbus]]` of a rig file: devices on a bus, and which of their numbers and bits are what."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from rig.protocol.channel_tables import CHANNEL_NAMES
from rig.protocol.document import Document, meant
from rig.protocol.position import Path
from rig.protocol.wire import ROLES, ModbusDevice, Point, Scaling
from rig.protocol.wire_fields import named_once, unread
from rig.protocol.wire_tables import BIT_ONLY, NUMBER_ONLY, ModbusTable, PointTable
from rig.protocol.wire_values import UNBOUND, is_measured, limited, scaled
from rig.units import shown

WRITTEN: Final = ("pump", "horn", "shunt")
"""Roles whose bit is written; the others are read."""

_REGISTERS: Final = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2}
_LAST: Final = 65535
_REFERENCES: Final = {"discrete": 10001, "input": 30001, "holding": 40001}
"""Where the numbers of data begin in manuals that count from 1 by table.

In the protocol addresses begin at 0: Modbus Application Protocol V1.1b3, 4.4.
"""

_Taken = dict[str, list[tuple[int, int, str]]]
"""By table: first and last address, and what they hold."""


def build_modbus(
    document: Document, tables: Sequence[ModbusTable | None]
) -> tuple[ModbusDevice, ...]:
    """Return the devices on the buses; what is wrong with them is noted in the document."""
    named_once(document, "modbus", [(i, t.name) for i, t in enumerate(tables) if t])
    _addresses(document, tables)
    return tuple(
        _device(document, ("modbus", index), table)
        for index, table in enumerate(tables)
        if table is not None
    )


def _device(document: Document, path: Path, table: ModbusTable) -> ModbusDevice:
    taken: _Taken = {}
    points = tuple(
        _point(document, (*path, "points", index), point, taken)
        for index, point in enumerate(table.points)
        if point is not None
    )
    watchdog = (table.watchdog.at, table.watchdog.value) if table.watchdog else None
    unsaid = not watchdog and not unread(document, (*path, "watchdog"))
    if unsaid and any(point.what == "pump" for point in points):
        document.warn(
            path,
            "switches the pump and has no watchdog: water runs on when this program ends",
            "add watchdog = { at = 0, value = 500 }, as its manual has it",
        )
    return ModbusDevice(table.name, table.port, table.address, points, watchdog)


def _addresses(document: Document, tables: Sequence[ModbusTable | None]) -> None:
    seen: dict[tuple[str, int], str] = {}
    for index, table in enumerate(tables):
        if table is None or not table.port or math.isnan(table.address):
            continue
        place = (table.port, table.address)
        if place in seen:
            document.refuse(
                ("modbus", index, "address"),
                f"{table.address} is that of {shown(seen[place])} on the same bus",
                "give each device its own, in the device too",
            )
        seen.setdefault(place, table.name)


# Points.


def _point(document: Document, path: Path, table: PointTable, taken: _Taken) -> Point:
    scaling, limits = Scaling(), UNBOUND
    if table.name in ROLES:
        _bit(document, path, table)
    elif is_measured(table.name):
        _number(document, path, table)
        scaling = scaled(document, path, table.name, table)
        limits = limited(document, path, table.name, table)
    elif table.name:
        remedy = meant(table.name, [*ROLES, *CHANNEL_NAMES])
        document.refuse((*path, "what"), f"{shown(table.name)} is no input and no channel", remedy)
    if _suits(table):
        _place(document, path, table, taken)
    return Point(
        what=table.name,
        table=table.table,
        at=table.at,
        kind="bit" if table.name in ROLES else table.kind,
        scaling=scaling,
        low=limits[0],
        high=limits[1],
        high_first=table.high_first,
        true_is=table.true_is == 1,
        every=table.every,
    )


def _suits(table: PointTable) -> bool:
    """Tell whether what a point is can be where it is said to be; then its place matters."""
    if table.name in WRITTEN:
        return table.table == "coil"
    if is_measured(table.name):
        return table.table in ("holding", "input")
    return table.name in ROLES and table.table != ""


def _bit(document: Document, path: Path, table: PointTable) -> None:
    _no_use(document, path, table, NUMBER_ONLY, "a bit")
    if table.kind not in ("", "bit"):
        document.refuse((*path, "kind"), f"{shown(table.kind)} is no bit", 'give kind = "bit"')
    if table.name in WRITTEN and table.table not in ("", "coil"):
        document.refuse(
            (*path, "table"),
            f"{shown(table.table)} holds no bit that can be written",
            'give table = "coil"',
        )


def _number(document: Document, path: Path, table: PointTable) -> None:
    _no_use(document, path, table, BIT_ONLY, "a number")
    if table.table in ("coil", "discrete"):
        document.refuse(
            (*path, "table"),
            f"{shown(table.table)} holds bits and no number",
            'give table = "input" or "holding"',
        )
    if table.kind == "bit":
        document.refuse(
            (*path, "kind"), '"bit" is no number', f"give one of {', '.join(_REGISTERS)}"
        )
    for key in ("kind", "unit"):
        if key not in table.model_fields_set:
            document.refuse_missing(path, key)


def _no_use(
    document: Document, path: Path, table: PointTable, keys: tuple[str, ...], what: str
) -> None:
    for key in keys:
        if key in table.model_fields_set:
            document.refuse((*path, key), f"means nothing to {what}", "take it out")


def _place(document: Document, path: Path, table: PointTable, taken: _Taken) -> None:
    """Note where a point lies beyond its table or upon another one."""
    if math.isnan(table.at):
        return
    width = _REGISTERS.get(table.kind, 1)
    if table.at + width - 1 > _LAST:
        document.refuse(
            (*path, "at"), f"{table.at} leaves no room for {width} registers", "give at most 65534"
        )
    first = _REFERENCES.get(table.table)
    if first and first <= table.at < first + 9999:
        document.warn(
            (*path, "at"),
            f"{table.at} looks like a number of the manual, where the first one is {first}",
            f"addresses begin at 0: write at = {table.at - first}",
        )
    other = _beside(taken, table, width)
    if width == 1 and _both_read(table.name, other):
        document.warn(
            (*path, "at"), f"is the bit of {shown(other)} too", "see that one contact tells both"
        )
    elif other:
        document.refuse(
            (*path, "at"),
            f"{table.at} belongs to {shown(other)} already",
            "look it up; a number of 32 bits takes two addresses",
        )


def _beside(taken: _Taken, table: PointTable, width: int) -> str:
    """Take the place of a point; return what had a part of it already, "" for nothing."""
    places = taken.setdefault(table.table, [])
    first, last = table.at, table.at + width - 1
    found = next((what for low, high, what in places if low <= last and first <= high), "")
    places.append((first, last, table.name))
    return found


def _both_read(*names: str) -> bool:
    return all(name in ROLES and name not in WRITTEN for name in names)
