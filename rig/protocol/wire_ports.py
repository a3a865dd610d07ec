"""`[[port]]` of a rig file: serial ports, and which of them carries what."""

from __future__ import annotations

import posixpath
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rig.protocol.document import Document, meant
from rig.protocol.position import Path
from rig.protocol.wire import ModbusDevice, Port, Source
from rig.protocol.wire_fields import named_once
from rig.protocol.wire_tables import PortTable
from rig.units import shown

USUAL_BAUD: Final = frozenset(
    {
        *(300, 600, 1200, 2400, 4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800),
        *(115200, 128000, 230400, 250000, 256000, 460800, 500000, 576000, 921600),
        *(1000000, 1152000, 1500000, 2000000, 2500000, 3000000, 3500000, 4000000),
        *(6000000, 12000000),
    }
)
"""Speeds that devices and systems offer; common practice, no source."""

WAITED_FOR: Final = 0.25
"""Time [s] that a test waits for a device (DEVELOPERS.md, Decisions)."""

_CARRIES: Final = {
    "controller": "the controller",
    "samples": "samples",
    "modbus": "a Modbus bus",
    "instrument": "an instrument",
}
_SHARED: Final = ("samples", "modbus")
"""What one port may carry for several tables."""

_NUMBERED: Final = re.compile(r"/dev/tty(USB|ACM)[0-9]+")
_FRAME_BYTES: Final = 15
"""Bytes of a frame beside its samples: drivers/FRAMES.md."""
_QUESTION: Final = 8 + 6 + 7
"""Characters of the shortest question for bits and its answer, with a silence behind each.

MODBUS over serial line V1.02: 8 and 6 bytes, 3.5 characters of silence (from memory).
"""


@dataclass(frozen=True, slots=True)
class Use:
    """A table that needs a port: what the port carries for it, its name, where it is named."""

    carries: str
    port: str
    path: Path


def build_ports(document: Document, tables: Sequence[PortTable | None]) -> tuple[Port, ...]:
    """Return the ports; what is wrong with them is noted in the document."""
    named_once(document, "port", [(i, t.name) for i, t in enumerate(tables) if t])
    _paths_once(document, tables)
    for index, table in enumerate(tables):
        if table is not None:
            _warn(document, ("port", index), table)
    return tuple(Port(**dict(table)) for table in tables if table is not None)


def _paths_once(document: Document, tables: Sequence[PortTable | None]) -> None:
    seen: dict[str, str] = {}
    for index, table in enumerate(tables):
        if table is None or not table.path:
            continue
        path = posixpath.normpath(table.path)
        if path in seen:
            document.refuse(
                ("port", index, "path"),
                f"{shown(table.path)} is the path of {seen[path]} already",
                "give each port its own, or take one of the two out",
            )
        seen.setdefault(path, f"port {shown(table.name)}" if table.name else "another port")


def _warn(document: Document, path: Path, table: PortTable) -> None:
    if table.baud not in USUAL_BAUD:
        near = min(USUAL_BAUD, key=lambda usual: abs(usual - table.baud))
        document.warn(
            (*path, "baud"), f"{table.baud} is no usual speed", f"{near} is the nearest one"
        )
    if _NUMBERED.fullmatch(table.path):
        document.warn(
            (*path, "path"),
            f"{shown(table.path)} may be another device after the next start or plug",
            "name the one of /dev/serial/by-id that stands for it",
        )


def check_use(document: Document, tables: Sequence[PortTable | None], uses: Sequence[Use]) -> None:
    """Note ports that are not there, those that would carry two things, and idle ones.

    Where a port's name cannot be read, or is there twice, any other name may be right.
    """
    names = [table.name for table in tables if table is not None]
    known = bool(names) and len(set(names)) == len(tables) and all(names)
    by_port: dict[str, list[Use]] = {}
    for use in uses:
        if use.port and use.port not in names and known:
            remedy = meant(use.port, names)
            document.refuse(use.path, f"no [[port]] is named {shown(use.port)}", remedy)
        elif use.port:
            by_port.setdefault(use.port, []).append(use)
    for port, together in by_port.items():
        _check_shared(document, port, together)
    for index, table in enumerate(tables):
        if table is not None and table.name not in by_port:
            document.warn(
                ("port", index), "carries nothing", "name it where its device is, or take it out"
            )


def _check_shared(document: Document, port: str, uses: Sequence[Use]) -> None:
    """Note what does not suit what a port carries for most of those that name it."""
    ((carried, _),) = Counter(use.carries for use in uses).most_common(1)
    alone = carried not in _SHARED
    first = next(use for use in uses if use.carries == carried)
    for use in uses:
        if use.carries != carried or (alone and use is not first):
            document.refuse(
                use.path,
                f"port {shown(port)} carries {_CARRIES[carried]} already",
                f"give {_CARRIES[use.carries]} a port of its own",
            )


def warn_slow(document: Document, ports: Sequence[Port], uses: Sequence[Use]) -> None:
    """Warn of ports whose devices may take longer to answer than a test waits for them."""
    asked = {use.port for use in uses if use.carries in ("controller", "modbus")}
    for index, port in enumerate(ports):
        if port.name in asked and port.answer_within > WAITED_FOR:
            document.warn(
                ("port", index, "answer_within"),
                f"is longer than the {WAITED_FOR:g} s that a test waits for a device",
                f'give at most "{WAITED_FOR * 1e3:g} ms"',
            )


def warn_narrow(
    document: Document, ports: Sequence[Port], sources: Sequence[Source], rate: float
) -> None:
    """Warn of ports that are too slow for the samples [frames/s] they are to carry."""
    for index, port in enumerate(ports):
        numbers = [source.number for source in sources if source.port == port.name]
        if not numbers:
            continue
        bits = (1 + 8 + (port.parity != "none") + port.stop_bits) * (
            _FRAME_BYTES + 4 * max(numbers)
        )
        if bits * rate > port.baud:
            document.warn(
                ("port", index, "baud"),
                f"{port.baud} carries {port.baud / bits:.0f} frames of {max(numbers)} samples a "
                f"second, and the rate is {rate:g} Hz",
                f"give more than {bits * rate:.0f}, in the device too, or a lower rate",
            )


def warn_crowded(
    document: Document, ports: Sequence[Port], devices: Sequence[ModbusDevice], stale_after: float
) -> None:
    """Warn of a bus on which a round of questions takes longer than inputs [s] may age."""
    for index, port in enumerate(ports):
        asked = sum(
            device.port == port.name and any(point.kind == "bit" for point in device.points)
            for device in devices
        )
        bits = 1 + 8 + (port.parity != "none") + port.stop_bits
        needed = asked * _QUESTION * bits / port.baud
        if needed > stale_after:
            document.warn(
                ("port", index, "baud"),
                f"{port.baud} needs {needed:.2g} s or more for a question to each device, and "
                f"inputs are lost after {stale_after:g} s",
                "give a higher speed, in the devices too, or a bus for each device",
            )
