"""One serial line: a port, the thread that reads it, and what becomes of a line that is lost.

The thread waits for the first byte and takes whatever has come with it, so that a sample is
handed on within a fraction of a millisecond. Whoever owns the line is called in that thread.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import termios
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import serial

from rig.clock import Clock
from rig.errors import DeviceError
from rig.protocol.wire import Port

WAIT: Final = 0.05
"""Longest time [s] the thread waits for a byte before it looks whether it shall end."""
REOPEN_EVERY: Final = 0.2
"""Time [s] between tries to open a port that was unplugged."""
WRITE_WITHIN: Final = 0.05
"""Time [s] in which a line that is full must take more: the loop stands still meanwhile, and an
order to close the valve waits behind it. A line that is sound takes all at once."""
_ROUNDS: Final = 10
END_WITHIN: Final = 1.0
"""Time [s] that a line's thread is given to end."""

_PARITY: Final = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
}
_STOP_BITS: Final = {1: serial.STOPBITS_ONE, 2: serial.STOPBITS_TWO}

OnBytes = Callable[[bytes, float], None]
"""Called with what has come and when [s of the clock]; in the line's thread."""
OnChange = Callable[[bool], None]
"""Called when the line was lost (False) or is back (True); in the line's thread."""


@dataclass(slots=True)
class Traffic:
    """What has gone over a line: bytes each way, and how often it was lost."""

    received: int = 0
    sent: int = 0
    losses: int = 0


class SerialLine:
    """A port that is open, or is being opened again. `write` may be called from any thread."""

    def __init__(self, plan: Port, clock: Clock) -> None:
        self.plan = plan
        self.traffic = Traffic()
        self._clock = clock
        self._port: serial.Serial | None = None
        self._writing = threading.Lock()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None
        self._on_bytes: OnBytes = _nowhere
        self._on_change: OnChange = _nobody
        self._trouble = ""
        self._failed = False

    @property
    def trouble(self) -> str:
        """Why the line cannot be used now, "" where it can."""
        return self._trouble

    @property
    def ended(self) -> bool:
        """Whether the line is lost for good: nobody opens it again."""
        return bool(self._trouble) and (self._failed or not self.plan.reopen)

    @property
    def is_terminal(self) -> bool:
        """Whether the port is a pseudo-terminal."""
        return is_terminal(self.plan)

    def open(self, on_bytes: OnBytes, on_change: OnChange | None = None) -> None:
        """Open the port and start its thread. Raises DeviceError in one line for people."""
        self._on_bytes = on_bytes
        self._on_change = on_change or _nobody
        self._port = self._opened()
        self._thread = threading.Thread(
            target=self._run, name=f"line {self.plan.name}", daemon=True
        )
        self._thread.start()

    def write(self, data: bytes) -> float:
        """Write bytes whole, never mixed with those of another thread; return when [s].

        Raises DeviceError where the line is lost or takes nothing; of what was written before
        and has not gone out by then nothing goes out any more.
        """
        with self._writing:
            port = self._port
            if port is None:
                raise DeviceError(self._trouble or f"{self._where()} is not open")
            try:
                _put(port, data)
            except (OSError, serial.SerialException, TypeError, ValueError) as error:
                # What still waits to go out would come late: an order of long ago.
                _quietly(port.reset_output_buffer)
                raise DeviceError(f"{self._where()} takes nothing: {error}") from error
            self.traffic.sent += len(data)
            return self._clock.now()

    def close(self) -> None:
        """End the thread and close the port; safe to call twice."""
        self._ending.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            port = self._port
            if port is not None:
                _quietly(port.cancel_read)
            # One that hangs, in a driver of the system or in its owner, must not keep the program.
            thread.join(END_WITHIN)
        with self._writing:
            port, self._port = self._port, None
        if port is not None:
            _quietly(port.close)

    def _where(self) -> str:
        return f'port "{self.plan.name}" ({self.plan.path})'

    def _opened(self) -> serial.Serial:
        plan = self.plan
        try:
            port = serial.Serial(
                plan.path,
                plan.baud,
                parity=_parity(plan),
                stopbits=_STOP_BITS[plan.stop_bits],
                timeout=WAIT,
                exclusive=True,
            )
        except (OSError, ValueError, serial.SerialException, termios.error) as error:
            raise DeviceError(f"{self._where()}: {_opening(error)}") from error
        if not is_terminal(plan):
            _keep_others_out(port)
        return port

    def _run(self) -> None:
        try:
            self._read()
        except Exception as error:  # noqa: BLE001 - a thread must not end without a word
            self._fail(error)

    def _read(self) -> None:
        while not self._ending.is_set():
            port = self._port
            if port is None:
                self._again()
                continue
            try:
                data = port.read(max(1, port.in_waiting))
                if data and (more := port.in_waiting):
                    # The first byte alone would wake its owner for nothing.
                    data += port.read(more)
            except (OSError, serial.SerialException, TypeError) as error:
                if not self._ending.is_set():
                    self._lose(error)
                continue
            if data:
                self.traffic.received += len(data)
                self._on_bytes(data, self._clock.now())

    def _lose(self, error: Exception) -> None:
        # What pyserial says of a plug that is out helps nobody at the rig.
        how = "" if "readiness to read" in str(error) else f": {error}"
        self._let_go(f"{self._where()} was unplugged or has failed{how}")
        self._on_change(False)

    def _fail(self, error: Exception) -> None:
        """End the line for what went wrong in its owner: what comes would be lost unseen."""
        self._failed = True
        why = f"{type(error).__name__}: {error}"
        self._let_go(f"{self._where()} is not read any more, by an error in this program ({why})")
        with contextlib.suppress(Exception):  # it is the owner that has failed
            self._on_change(False)

    def _let_go(self, why: str) -> None:
        self._trouble = why
        with self._writing:
            port, self._port = self._port, None
        if port is not None:
            _quietly(port.close)
        self.traffic.losses += 1

    def _again(self) -> None:
        if not self.plan.reopen or self._ending.wait(REOPEN_EVERY):
            # Nothing to open: the thread only waits for the end.
            self._ending.wait()
            return
        try:
            port = self._opened()
        except DeviceError:
            return
        with self._writing:
            if self._ending.is_set():
                _quietly(port.close)
                return
            self._port = port
        self._trouble = ""
        self._on_change(True)


def _put(port: serial.Serial, data: bytes) -> None:
    """Write bytes whole. Raises SerialException where the line is full and stays so.

    pyserial's own `write` waits until little is left to go out, though all was taken, and asks
    without a pause where nothing is.
    """
    handle = port.fileno()
    for _ in range(_ROUNDS):
        with contextlib.suppress(BlockingIOError):
            data = data[os.write(handle, data) :]
        if not data:
            return
        if not select.select([], [handle], [], WRITE_WITHIN)[1]:
            break
    raise serial.SerialTimeoutException("what is written does not go out")


def _keep_others_out(port: serial.Serial) -> None:
    """Let no other program open the port: some ask every new port for a modem in the test.

    pyserial's lock keeps out only who asks for one too. Not for pseudo-terminals: there the mark
    would stay as long as the other side has its end.
    """
    with contextlib.suppress(OSError):
        fcntl.ioctl(port.fileno(), termios.TIOCEXCL)


def is_terminal(port: Port) -> bool:
    """Tell whether a port is a pseudo-terminal: another program, no hardware."""
    return os.path.realpath(port.path).startswith("/dev/pts/")


def _parity(port: Port) -> str:
    """Return the parity to ask for. A pseudo-terminal has none, and Linux refuses one there."""
    if is_terminal(port):
        return serial.PARITY_NONE
    return _PARITY[port.parity]


def _opening(error: Exception) -> str:
    """Return why a port cannot be opened and what to do, in words."""
    number = getattr(error, "errno", None)
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return "there is no such port; is it plugged in and switched on? look in /dev/serial/by-id"
    if number in (errno.EACCES, errno.EPERM):
        return 'permission refused; join the group of the port (often "dialout") and log in again'
    if number in (errno.EAGAIN, errno.EWOULDBLOCK, errno.EBUSY) or "lock" in str(error):
        return (
            "in use by another program; end it, or wait until its test is over; or two [[port]] "
            "of the rig file lead to it"
        )
    if isinstance(error, termios.error) or number == errno.EINVAL:
        return "takes neither this speed nor this parity; look at baud, parity and stop_bits"
    if number in (errno.EISDIR, errno.ENOTTY) or f"({errno.ENOTTY}, " in str(error):
        return "is no serial port; name one of /dev/serial/by-id"
    return f"cannot be opened: {error}"


def _quietly(act: Callable[[], None]) -> None:
    """Do what may fail because the line is gone already."""
    try:
        act()
    except (OSError, serial.SerialException, termios.error, TypeError, AttributeError):
        return


def _nowhere(_data: bytes, _when: float) -> None:
    """Take no notice."""


def _nobody(_there: bool) -> None:
    """Tell nobody."""
