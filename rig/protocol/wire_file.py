"""From the wire tables of a rig file to its `Wire`, held against the rest of the file.

`driver = "serial"` makes `[[port]]` and `[controller]` necessary. To the simulated rig and to
drivers from elsewhere these tables mean nothing and are refused, so that nobody believes in them;
`[settings]` is for drivers from elsewhere alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from rig.protocol.document import Document
from rig.protocol.position import Path
from rig.protocol.wire import Wire
from rig.protocol.wire_controller import build_controller
from rig.protocol.wire_instruments import build_instruments
from rig.protocol.wire_points import build_modbus
from rig.protocol.wire_ports import (
    Use,
    build_ports,
    check_use,
    warn_crowded,
    warn_narrow,
    warn_slow,
)
from rig.protocol.wire_sources import Channels, Supply, build_sources, check_supplies, supplies
from rig.protocol.wire_tables import WireTables
from rig.units import shown

SERIAL: Final = "serial"
"""The driver to which the wire tables speak."""

_KEYS: Final = ("stale_after", "port", "controller", "modbus", "instrument")
_NEEDED: Final = ("port", "controller")
_EXPECTED: Final = ("emergency_stop", "guard_open", "oil_pressure_low", "mains_lost")
"""Inputs of any hydraulic rig; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Rest:
    """What the rest of a rig file says that lines must agree with; rate [Hz].

    `limited` names the channels for which the controller must have limits of its own.
    """

    channels: Channels
    limited: tuple[str, ...]
    rate: float
    pump: bool
    signal: bool
    local_input: str


def build_wire(document: Document, file: WireTables, rest: Rest) -> Wire:
    """Return ports and devices; what is wrong with them is noted in the document."""
    for key in _NEEDED:
        if getattr(file, key) is None and key not in document.unread:
            document.refuse_missing((), key)
    ports = build_ports(document, file.port or ())
    given = supplies(file, rest.channels)
    sources = build_sources(document, rest.channels, given)
    uses = list(_uses(file, rest.channels))
    check_use(document, file.port or (), uses)
    warn_slow(document, ports, uses)
    warn_narrow(document, ports, sources, rest.rate)
    check_supplies(document, given, rest.channels)
    _check_water(document, given, rest)
    _check_signal(document, given, rest)
    _check_inputs(document, given, rest)
    controller = file.controller
    modbus = build_modbus(document, file.modbus or ())
    warn_crowded(document, ports, modbus, file.stale_after)
    return Wire(
        ports=ports,
        controller=build_controller(document, controller, rest.limited) if controller else None,
        sources=sources,
        modbus=modbus,
        instruments=build_instruments(document, file.instrument or ()),
        stale_after=file.stale_after,
    )


def refuse_wire(document: Document, channels: Channels, driver: str) -> None:
    """Note every wire table that means nothing to another driver than the serial one."""
    said = f"means nothing to driver {shown(driver)}"
    remedy = f'take it out, or write driver = "{SERIAL}"'
    for key in _KEYS:
        if (key,) in document.lines:
            document.refuse((key,), said, remedy)
    for index, channel in enumerate(channels):
        if channel and channel.source:
            document.refuse(("channel", index, "from"), said, remedy)


def read_settings(document: Document, file: WireTables, own: str) -> dict[str, str | float | bool]:
    """Return what is said to a driver from elsewhere; `own` is the name of one of ours, or ""."""
    path: Path = ("settings",)
    if own and "settings" in file.model_fields_set:
        document.refuse(
            path, f"means nothing to driver {shown(own)}", "take it out: it has no settings"
        )
        return {}
    found = {}
    for key, value in file.settings.items():
        if isinstance(value, float) and not math.isfinite(value):
            document.refuse((*path, key), f"{shown(value)} is not a finite number", "give another")
        elif isinstance(value, str | int | float):  # true and false are whole numbers too
            found[key] = value
        else:
            document.refuse(
                (*path, key),
                f"{shown(value)} is no setting",
                "give text in quotes, a number, true or false",
            )
    return found


def _uses(file: WireTables, channels: Channels) -> Iterator[Use]:
    if file.controller:
        yield Use("controller", file.controller.port, ("controller", "port"))
    for index, channel in enumerate(channels):
        if channel and channel.source:
            yield Use("samples", channel.source.port, ("channel", index, "from", "port"))
    for index, device in enumerate(file.modbus or ()):
        if device:
            yield Use("modbus", device.port, ("modbus", index, "port"))
    for index, instrument in enumerate(file.instrument or ()):
        if instrument:
            yield Use("instrument", instrument.port, ("instrument", index, "port"))


def _check_water(document: Document, given: tuple[Supply, ...], rest: Rest) -> None:
    named = {supply.what: supply.path for supply in given}
    role = next((role for role in ("pump", "pump_running") if role in named), "")
    if role and not rest.pump:
        document.refuse(
            named[role],
            f"{shown(role)} is the pump's, and there is no [pump]",
            "add [pump] with flow and tank, or take the point out",
        )
    if rest.pump and "pump" not in named and all(supply.what for supply in given):
        document.refuse(
            ("pump",),
            "has no point that switches it",
            'add { what = "pump", table = "coil", at = 0 } to the points of a [[modbus]]',
        )
    if rest.pump and "flow" not in named:
        document.warn(
            ("pump",),
            "has no point that measures its flow: every spray counts as confirmed",
            'add a point with what = "flow"',
        )


def _check_signal(document: Document, given: tuple[Supply, ...], rest: Rest) -> None:
    horn = next((supply.path for supply in given if supply.what == "horn"), None)
    if horn and not rest.signal:
        document.warn(
            horn,
            '"horn" is never switched, because there is no [warning_signal]',
            'add [warning_signal] with kind = "horn" and before = "5 s"',
        )
    if rest.signal and not horn:
        document.warn(
            ("warning_signal",),
            "has no point that switches it: the rig moves without a warning",
            'add { what = "horn", table = "coil", at = 0 } to the points of a [[modbus]]',
        )


def _check_inputs(document: Document, given: tuple[Supply, ...], rest: Rest) -> None:
    named = {supply.what for supply in given}
    expected = (*_EXPECTED, *(("leak",) if rest.pump else ()))
    missing = [role for role in expected if role not in named]
    if missing:
        document.warn(
            ("modbus",),
            f"no point tells {', '.join(missing)}: this program stops for none of them",
            "add a point for each where the machine has a contact for it",
        )
    if rest.local_input and "local_button" not in named:
        document.warn(
            ("local_input",),
            f"no point tells the {rest.local_input}: the rig neither goes on nor unloads",
            'add a point with what = "local_button"',
        )
    if not rest.local_input and "local_button" in named:
        document.warn(
            ("modbus",),
            '"local_button" is read and allows nothing, because there is no local_input',
            'write local_input = "button" or "key" above the first [table]',
        )
