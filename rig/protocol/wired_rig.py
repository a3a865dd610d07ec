"""A rig file that speaks of lines, or of a driver from elsewhere.

Its shape has so many tables that it is read only where it is needed: `check` of a simulated rig
starts without it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from pydantic import Field

from rig.protocol.document import Document
from rig.protocol.plan import RigPlan
from rig.protocol.rig_file import SIMULATED, Objection, RigTables, object_to, rig_of
from rig.protocol.validation import validate
from rig.protocol.wire import Wire
from rig.protocol.wire_demands import OWN_LIMITS
from rig.protocol.wire_file import SERIAL, Rest, build_wire, read_settings, refuse_wire
from rig.protocol.wire_tables import WiredChannelTable, WireTables

_OWN: Final = (SIMULATED, SERIAL)
"""Drivers of this program, which have no settings."""


class WiredRigFile(RigTables, WireTables):
    """A whole rig file with all that any driver may be told."""

    channel: list[WiredChannelTable | None] = Field(
        default_factory=list, min_length=1, max_length=200
    )


def build_wired_rig(document: Document, objection: Objection | None = None) -> RigPlan | None:
    """Return the rig of a document as `build_rig` does, with its lines or its driver's settings."""
    file = validate(document, WiredRigFile)
    if file is None:
        return None
    # A driver whose name is wrong may be any: its tables are judged by themselves alone.
    driver = "" if object_to(document, file.driver, objection) else file.driver
    return replace(
        rig_of(document, file, file.channel),
        wire=_wire(document, file, driver),
        settings=read_settings(document, file, driver if driver in _OWN else ""),
    )


def _wire(document: Document, file: WiredRigFile, driver: str) -> Wire | None:
    if driver not in ("", SERIAL):
        refuse_wire(document, file.channel, driver)
        return None
    if not driver and file.port is None:
        return None
    own = file.actuator is not None and file.actuator.limits == "controller"
    limited = tuple(name for name in OWN_LIMITS if name == "load" or name in file.limits)
    rest = Rest(
        channels=file.channel,
        limited=limited if own else (),
        rate=file.rate,
        pump=file.pump is not None or "pump" in document.unread,
        signal=file.warning_signal is not None or "warning_signal" in document.unread,
        local_input=file.local_input or "",
    )
    return build_wire(document, file, rest)
