"""Pairs `[low, high]` by channel name, in the unit of the channel."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Any, Final

from rig.channels import Channel, channel_unit
from rig.protocol.document import Document
from rig.protocol.plan import Bounds
from rig.protocol.position import Path
from rig.units import UnitError, parse, shown

_DIMENSIONS: Final = {
    "N": "force",
    "m": "length",
    "1": "strain",
    "K": "temperature",
    "m3/s": "flow",
    "m3": "volume",
    "Pa": "stress",
}


def channel_dimension(name: str) -> str:
    """Return the dimension of a known channel's values."""
    return _DIMENSIONS[channel_unit(name) or "1"]


def difference_dimension(name: str) -> str:
    """Return the dimension of a step of a known channel: 0.1 degC of temperature is no step."""
    dimension = channel_dimension(name)
    return "temperature difference" if dimension == "temperature" else dimension


def bounds(document: Document, path: Path, value: Any, dimension: str) -> Bounds | None:
    """Read a pair of quantities; None with the problems noted."""
    if not isinstance(value, list) or len(value) != 2:
        document.refuse(path, f"{shown(value)} is not a pair", 'write ["low", "high"]')
        return None
    read = []
    for index, entry in enumerate(value):
        try:
            read.append(parse(entry, dimension))
        except UnitError as error:
            document.refuse((*path, index), error.problem, error.remedy)
    if len(read) < 2:
        return None
    if read[0] >= read[1]:
        document.refuse(path, f"{shown(value[0])} is not below {shown(value[1])}", "swap them")
        return None
    return read[0], read[1]


def table_of_bounds(
    document: Document, path: Path, table: dict[str, Any], channels: Iterable[Channel]
) -> dict[str, Bounds]:
    """Read limits by channel name; names the rig does not have are problems."""
    known = {c.name: c for c in channels}
    found = {}
    for name, value in table.items():
        at = (*path, name)
        if name != "deflection" and name not in known:
            document.refuse(at, "is no channel of the rig", _instead(name, known))
            continue
        pair = bounds(document, at, value, channel_dimension(name))
        if pair is None:
            continue
        found[name] = pair
        channel = known.get(name)
        if channel and (pair[0] < channel.low or pair[1] > channel.high):
            document.refuse(
                at,
                f"reaches beyond the range of channel {name} and would never trip",
                f"stay within {channel.low:g} to {channel.high:g} {channel.unit}",
            )
    return found


def _instead(name: str, known: Iterable[str]) -> str:
    names = [*known, "deflection"]
    near = difflib.get_close_matches(name, names, n=1)
    return f'did you mean "{near[0]}"?' if near else f"known are {', '.join(names)}"
