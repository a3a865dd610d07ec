"""Pairs `[low, high]` by channel name, in the unit of the channel."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

from rig.channels import CHANNEL_UNITS, SHOWN, Channel, channel_unit
from rig.protocol.document import Document, meant
from rig.protocol.fields import spoken
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
    "m/s2": "acceleration",
    "Ohm": "resistance",
}


_PAIRS: Final = {
    "force": '["-2 kN", "97 kN"]',
    "length": '["-0.5 mm", "4 mm"]',
    "strain": '["-100 um/m", "3000 um/m"]',
    "temperature": '["5 degC", "60 degC"]',
    "flow": '["0 L/min", "3 L/min"]',
    "volume": '["50 L", "1000 L"]',
    "stress": '["0 bar", "280 bar"]',
    "acceleration": '["-20 m/s2", "20 m/s2"]',
    "resistance": '["0 MOhm", "5000 MOhm"]',
}

_WRITTEN: Final = {"°C": "degC", "µm/m": "um/m", "m/s²": "m/s2", "MΩ": "MOhm"}
"""Units that are shown in signs which a file need not hold."""


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
        document.refuse(path, f"{shown(value)} is no pair", f"write {_PAIRS[dimension]}")
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
    document: Document, path: Path, table: dict[str, Any], channels: Iterable[Channel] | None
) -> dict[str, Bounds]:
    """Read limits by channel name; names the rig does not have are problems.

    `channels` is None where not all of the rig's channels are known.
    """
    known = {c.name: c for c in channels or ()}
    found = {}
    for name, value in table.items():
        at = (*path, name)
        if channels is None and channel_unit(name) is None:
            document.refuse(at, "is no channel name", meant(name, CHANNEL_UNITS))
            continue
        if channels is not None and name != "deflection" and name not in known:
            document.refuse(at, "is no channel of the rig", meant(name, {**known, "deflection": 0}))
            continue
        pair = bounds(document, at, value, channel_dimension(name))
        if pair is None:
            continue
        found[name] = pair
        channel = known.get(name)
        if channel and (pair[0] < channel.low or pair[1] > channel.high):
            document.refuse(
                at,
                "reaches beyond what the channel can show and would never trip",
                f"stay within {_spoken(channel, channel.low)} to {_spoken(channel, channel.high)}",
            )
    return found


def _spoken(channel: Channel, value: float) -> str:
    word = SHOWN[channel.unit][0] if channel.unit in SHOWN else ""
    return spoken(value, _WRITTEN.get(word, word))
