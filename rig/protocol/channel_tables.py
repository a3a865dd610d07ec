"""`[[channel]]` of a rig file: what is measured, and how finely."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

from rig.channels import CHANNEL_UNITS, Channel, channel_unit
from rig.protocol.bounds import bounds, channel_dimension, difference_dimension
from rig.protocol.calibration_tables import CalibrationTable, build_calibration
from rig.protocol.document import Document, meant
from rig.protocol.fields import UNREAD, Name, Table
from rig.protocol.position import Path
from rig.protocol.trust import Calibration
from rig.units import UnitError, parse, shown

CHANNEL_NAMES: Final = tuple(
    name + "1" if name.endswith("_") else name for name in CHANNEL_UNITS if name != "deflection"
)
"""What can be measured, the first of each numbered family."""

_NO_BOUNDS: Final = (-math.inf, math.inf)


class ChannelTable(Table):
    """`[[channel]]`; its quantities are read once its unit is known."""

    name: Name
    resolution: Any
    noise: Any = None
    range: Any
    slow: bool = False
    calibration: CalibrationTable | None = None


def build_channels(
    document: Document, tables: Sequence[ChannelTable | None]
) -> tuple[Channel, ...]:
    """Return the channels of a rig file that can be read; problems are noted in the document."""
    seen: set[str] = set()
    channels = []
    for index, table in enumerate(tables):
        if table is None or not table.name:
            continue
        path = ("channel", index)
        if table.name in seen:
            document.refuse((*path, "name"), f"{shown(table.name)} is there twice", "name it once")
        seen.add(table.name)
        channels.append(_channel(document, path, table))
    if "channel" not in document.unread:
        for needed in ("load", "midspan"):
            if not any(t and t.name == needed and not t.slow for t in tables):
                document.refuse(
                    ("channel",),
                    f'has no sampled channel "{needed}"',
                    f'add [[channel]] with name = "{needed}"',
                )
    return tuple(channel for channel in channels if channel)


def build_calibrations(
    document: Document,
    tables: Sequence[ChannelTable | None],
    channels: Sequence[Channel],
) -> dict[str, Calibration]:
    """Return how the channels were calibrated, by name; problems are noted in the document."""
    known = {channel.name: channel for channel in channels}
    found = {}
    for index, table in enumerate(tables):
        if table is None or table.calibration is None or table.name not in known:
            continue
        path = ("channel", index, "calibration")
        made = build_calibration(document, path, table.calibration, known[table.name])
        if made:
            found[table.name] = made
    return found


def _channel(document: Document, path: Path, table: ChannelTable) -> Channel | None:
    unit = channel_unit(table.name)
    if unit is None or table.name == "deflection":
        document.refuse(
            (*path, "name"), f"{shown(table.name)} is no channel name", channel_like(table.name)
        )
        document.unread.add("channel")
        return None
    found = None
    if table.range is not UNREAD:
        found = bounds(document, (*path, "range"), table.range, channel_dimension(table.name))
    resolution = _step(document, path, table, "resolution")
    noise = _step(document, path, table, "noise")
    low, high = found or _NO_BOUNDS
    width = high - low
    if resolution <= 0 or resolution >= width / 10:
        document.refuse(
            (*path, "resolution"),
            f"{shown(table.resolution)} does not suit the range",
            "give the smallest step the channel shows, above zero and below a tenth of its range",
        )
    if noise < 0 or noise >= width / 10:
        document.refuse(
            (*path, "noise"),
            f"{shown(table.noise)} does not suit the range",
            "give the standard deviation, below a tenth of the range",
        )
    return Channel(table.name, unit, resolution, low, high, noise=noise, slow=table.slow)


def channel_like(name: str) -> str:
    """Return which channel name was probably meant, or all of them."""
    return meant(name, CHANNEL_NAMES)


def _step(document: Document, path: Path, table: ChannelTable, key: str) -> float:
    """Return a step of a channel [SI], 0.0 where none is given, nan where it has a problem."""
    value = getattr(table, key)
    if value is None:
        return 0.0
    if value is UNREAD:
        return math.nan
    try:
        return parse(value, difference_dimension(table.name))
    except UnitError as error:
        document.refuse((*path, key), error.problem, error.remedy)
        return math.nan
