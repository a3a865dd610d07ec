"""Where each channel of a rig with lines comes from: its samples, or a device beside them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from rig.channels import CHANNEL_UNITS
from rig.protocol.document import Document, spell
from rig.protocol.position import Path
from rig.protocol.wire import ROLES, Source
from rig.protocol.wire_fields import nearest, unread
from rig.protocol.wire_tables import FromTable, WiredChannelTable, WireTables
from rig.protocol.wire_values import is_measured, scaled
from rig.units import shown

Channels = Sequence[WiredChannelTable | None]

_USED_BESIDE: Final = ("flow", "tank", "temperature_oil")
"""What the program looks at although no channel records it: the pump's state, the oil."""


@dataclass(frozen=True, slots=True)
class Supply:
    """A value that a device gives or takes, and where the file says so.

    `what` is a channel or a role, the nearest one where it is misspelt, "" where any may be meant.
    """

    what: str
    path: Path


def build_sources(
    document: Document, channels: Channels, given: Sequence[Supply]
) -> tuple[Source, ...]:
    """Return where the sampled channels come from; problems are noted in the document.

    `given` is what comes from devices beside the samples.
    """
    beside = {supply.what for supply in given}
    found: dict[tuple[str, int], str] = {}
    sources = []
    for index, channel in enumerate(channels):
        if channel is None:
            continue
        path: Path = ("channel", index, "from")
        _check_kind(document, path, channel, beside)
        source = channel.source
        if source is None or not is_measured(channel.name):
            continue
        _number_once(document, path, source, channel.name, found)
        scaling = scaled(document, path, channel.name, source)
        sources.append(Source(channel.name, source.port, source.number, scaling))
    return tuple(sources)


def _check_kind(
    document: Document, path: Path, channel: WiredChannelTable, beside: set[str]
) -> None:
    """Note a sampled channel without a place in a frame, and a slow one with it."""
    if channel.slow and channel.source:
        document.refuse(
            path,
            "means nothing to a slow channel",
            "name the channel in a [[modbus]] or an [[instrument]], or take slow out",
        )
    doubtful = any(unread(document, (*path[:-1], key)) for key in ("slow", "from"))
    if not (channel.slow or channel.source or doubtful or channel.name in beside):
        document.refuse_missing(path[:-1], "from")


def _number_once(
    document: Document,
    path: Path,
    source: FromTable,
    channel: str,
    found: dict[tuple[str, int], str],
) -> None:
    place = (source.port, source.number)
    if not source.port or math.isnan(source.number):
        return
    if place in found:
        document.refuse(
            (*path, "number"),
            f"{source.number} of port {shown(source.port)} is {shown(found[place])} already",
            "count the samples of a frame from 1",
        )
    found.setdefault(place, channel)


# Beside the samples.


def supplies(file: WireTables, channels: Channels) -> tuple[Supply, ...]:
    """Return all that devices beside the samples give or take, in the order of the file."""
    names = [*(c.name for c in channels if c), *CHANNEL_UNITS]
    found = []
    for what, path in _named(file):
        known = [*ROLES, *names] if path[0] == "modbus" else names
        found.append(Supply(what if is_measured(what) else nearest(what, known), path))
    return tuple(found)


def _named(file: WireTables) -> Iterator[tuple[str, Path]]:
    """Yield each name and its place, "" for one that cannot be read."""
    for index, device in enumerate(file.modbus or ()):
        for place, point in enumerate(device.points if device else (None,)):
            path: Path = ("modbus", index, "points", place, "what")
            yield point.name if point else "", path
    for index, instrument in enumerate(file.instrument or ()):
        for place, answer in enumerate(instrument.answers if instrument else (None,)):
            path = ("instrument", index, "answers", place, "channel")
            yield answer.channel if answer else "", path


def check_supplies(document: Document, given: Sequence[Supply], channels: Channels) -> None:
    """Note slow channels without a device or with two, and devices' channels that are not slow."""
    seen: dict[str, Path] = {}
    by_name = {c.name: (i, c) for i, c in enumerate(channels) if c and c.name}
    for supply in given:
        what, path = supply.what, supply.path
        if not what:
            continue
        if what in seen:
            document.refuse(
                path,
                f"{shown(what)} is read at {spell(seen[what][:-1])} too",
                "take one of the two out",
            )
        seen.setdefault(what, path)
        if what in by_name:
            index, channel = by_name[what]
            if not (channel.slow or unread(document, ("channel", index, "slow"))):
                document.refuse(
                    path,
                    f"{shown(what)} is a sampled channel",
                    "write slow = true at its [[channel]], or take it out here",
                )
        elif what not in (*ROLES, *_USED_BESIDE):
            document.warn(
                path, f"{shown(what)} is no [[channel]]: it is read and recorded nowhere", "add one"
            )
    if all(supply.what for supply in given):
        _check_slow(document, set(seen), channels)


def _check_slow(document: Document, seen: set[str], channels: Channels) -> None:
    for index, channel in enumerate(channels):
        if channel is None or not channel.slow or channel.source or channel.name in seen:
            continue
        if is_measured(channel.name):
            document.refuse(
                ("channel", index),
                f"{shown(channel.name)} comes from nowhere",
                "name it in the points of a [[modbus]] or the answers of an [[instrument]]",
            )
