"""A pseudo-terminal as the serial port of an emulated device.

Bytes take the time that the line's speed gives them, both ways. Where the host has set another
speed or parity than the device's own, both hear garbage. A host that does not read loses bytes
and never stops the device; while no host has the port open all that is sent is lost.

Of the parity a pseudo-terminal keeps only whether it is odd: the system clears the bit that
enables parity, and data bits are always eight. So none cannot be told from even, and a host that
is set to one of them counts as set like the device.
"""

from __future__ import annotations

import asyncio
import os
import select
import termios
import tty
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Final, Protocol

from rig.clock import Clock
from rig.errors import InputError
from simulators.wire.pace import Pace
from simulators.wire.uart import Framing, heard

LOOK_EVERY: Final = 0.02
"""Time [s] between looks whether a host has opened the port."""
READ_ROOM: Final = 4096
"""Bytes of a host that may be under way; then its writes must wait."""
SEND_ROOM: Final = 1 << 16
"""Bytes of a device that may be under way; what comes on top is lost."""

Put = Callable[[bytes], None]
Outlet = Callable[[bytes, Put], None]
"""Called with what the device sends and where to put what becomes of it, now or later."""


class Device(Protocol):
    """A device at the end of a line. It is given a `Put` to send by when it is made."""

    def take(self, data: bytes) -> None:
        """Take bytes that have come from the host."""

    async def run(self) -> None:
        """Do what it does by itself, until cancelled."""


class Terminal:
    """One port: `path` is what the host opens; it stays the same over `unplug` and `plug`.

    It is plugged in when made, in a running event loop. `on_bytes` gets what the host writes,
    byte for byte as it arrives, or, with `whole`, what was written together in one piece.
    `through`, where set, stands between device and line.
    """

    def __init__(
        self, framing: Framing, clock: Clock, link: Path | None = None, *, whole: bool = False
    ) -> None:
        self.framing = framing
        self.on_bytes: Put = _nowhere
        self.through: Outlet | None = None
        self.sent = self.received = self.dropped = 0  # bytes
        self._link = link
        self._loop = asyncio.get_running_loop()
        self._out = Pace(self._loop, clock, framing.byte_time, self._write, SEND_ROOM, whole=whole)
        self._in = Pace(
            self._loop, clock, framing.byte_time, self._arrived, 2 * READ_ROOM, whole=whole
        )
        self._master = -1
        self._slave = ""
        self._poll = select.poll()
        self._reading = False
        self._look: asyncio.TimerHandle | None = None
        self.plug()

    @property
    def path(self) -> str:
        """What the host opens."""
        return str(self._link) if self._link is not None else self._slave

    @property
    def plugged(self) -> bool:
        """Whether the port is there."""
        return self._master >= 0

    @property
    def listening(self) -> bool:
        """Whether a host has the port open as a serial line."""
        return self.plugged and not self._hung_up() and self._host() is not None

    def send(self, data: bytes, at: float | None = None) -> None:
        """Send bytes of the device; what does not fit is lost, and nothing ever waits.

        `at` is when the device began to send them [s of the clock], where the process is late
        and the device is not.
        """
        if not self.plugged:
            self.dropped += len(data)
        elif self.through is not None:
            self.through(data, partial(self._put, at=at))
        else:
            self._put(data, at)

    def unplug(self) -> None:
        """Take the port away: the host's reads and writes fail, its path is gone."""
        if not self.plugged:
            return
        self._stop_reading()
        if self._look is not None:
            self._look.cancel()
            self._look = None
        self._out.clear()
        self._in.clear()
        master, self._master = self._master, -1
        self._poll.unregister(master)
        os.close(master)
        link = self._link
        if link is not None and link.is_symlink() and os.readlink(link) == self._slave:
            link.unlink()

    def plug(self) -> None:
        """Bring the port back under its path."""
        if self.plugged:
            return
        self._master, slave = os.openpty()
        try:
            tty.setraw(slave)  # nothing is echoed before the host has set the line
            self._slave = os.ttyname(slave)
        finally:
            os.close(slave)
        os.set_blocking(self._master, False)
        self._poll.register(self._master, select.POLLIN)
        if self._link is not None:
            _point(self._link, self._slave)
        self._look_for_host()

    def close(self) -> None:
        """Take the port away for good; safe to call twice."""
        self.unplug()

    def _put(self, data: bytes, at: float | None = None) -> None:
        """Let bytes go onto the line."""
        if not self.plugged or not self._out.put(data, at):
            self.dropped += len(data)

    def _write(self, data: bytes) -> None:
        """Hand over what has gone over the line; what the host has no room for is lost."""
        written = 0
        host = None if self._hung_up() else self._host()
        if host is not None:
            if not host.fits(self.framing):
                data = heard(data, self.framing, host, strict=False)
            try:
                written = os.write(self._master, data)
            except OSError:  # no room, or the host has just gone
                written = 0
        self.sent += written
        self.dropped += len(data) - written

    def _readable(self) -> None:
        try:
            data = os.read(self._master, READ_ROOM)
        except BlockingIOError:
            return
        except OSError:  # the last host has closed the port
            self._stop_reading()
            self._look_for_host()
            return
        host = self._host()
        if host is not None and not host.fits(self.framing):
            data = heard(data, host, self.framing, strict=True)
        self._in.put(data)
        if self._in.waiting >= READ_ROOM:
            self._stop_reading()

    def _arrived(self, data: bytes) -> None:
        self.received += len(data)
        self.on_bytes(data)
        if self.plugged and self._look is None and self._in.waiting < READ_ROOM:
            self._read()

    def _look_for_host(self) -> None:
        """Begin to read as soon as a host opens the port."""
        if self._hung_up():
            self._look = self._loop.call_later(LOOK_EVERY, self._look_for_host)
        else:
            self._look = None
            self._read()

    def _read(self) -> None:
        if not self._reading:
            self._loop.add_reader(self._master, self._readable)
            self._reading = True

    def _stop_reading(self) -> None:
        if self._reading:
            self._loop.remove_reader(self._master)
            self._reading = False

    def _hung_up(self) -> bool:
        return any(event & select.POLLHUP for _, event in self._poll.poll(0))

    def _host(self) -> Framing | None:
        """Return how the host has set the line; None while it has not."""
        _, _, control, local, _, speed, _ = termios.tcgetattr(self._master)
        if local & termios.ECHO:
            return None
        own = self.framing.parity
        parity = "odd" if control & termios.PARODD else "none" if own == "odd" else own
        stop_bits = 2 if control & termios.CSTOPB else 1
        return Framing(_SPEEDS.get(speed, speed) or 1, parity, stop_bits)


_SPEEDS: Final = {
    getattr(termios, name): int(name[1:])
    for name in dir(termios)
    if name[0] == "B" and name[1:].isdigit()
}
"""Bits per second by what the terminal's settings call them; others stand for nothing we speak."""


def _point(link: Path, target: str) -> None:
    """Make a symbolic link, or have the one that is there point elsewhere, at one stroke."""
    if link.exists() and not link.is_symlink():
        raise InputError(f"{link} is there and no symbolic link; choose another folder for ports")
    link.parent.mkdir(parents=True, exist_ok=True)
    new = link.with_name(f".{link.name}.new")
    new.unlink(missing_ok=True)
    new.symlink_to(target)
    new.replace(link)


def _nowhere(_data: bytes) -> None:
    """Take no notice."""
