"""A device of the tests that sends frames, written from FRAMES.md and apart from the driver.

All data is invented.
"""

import os
import select
import struct
import termios
import threading
import time
import tty
import zlib
from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray

from rig.channels import Channel
from rig.protocol.wire import Port, Scaling, Source

RATE = 1000.0
NAMES = ("load", "midspan", "support_left", "support_right", "load_2", "crack_opening")
ASKED = bytes.fromhex("07 10 01 38 30 1c 7c 00")
"""What asks for an info frame, from FRAMES.md."""


def stuffed(data: bytes) -> bytes:
    """Return data as COBS, after the encoder in Cheshire & Baker 1999, figure 4, read anew."""
    out = bytearray()
    group = bytearray()
    for byte in data:
        if byte == 0:
            out += bytes([len(group) + 1]) + group
            group.clear()
            continue
        group.append(byte)
        if len(group) == 254:
            out += b"\xff" + group
            group.clear()
    return bytes(out + bytes([len(group) + 1]) + group)


def framed(body: bytes) -> bytes:
    """Return a frame as it goes over the line."""
    return stuffed(body + struct.pack("<I", zlib.crc32(body))) + b"\0"


def sample(sequence: int, values: Iterable[float], micros: int | None = None) -> bytes:
    """Return a sample frame; its time is a millisecond a frame unless it is given."""
    values = list(values)
    micros = sequence * 1000 if micros is None else micros
    head = struct.pack("<BII", 1, sequence % 2**32, micros % 2**32)
    return framed(head + struct.pack(f"<{len(values)}f", *values))


def info(
    channels: int,
    sequence: int = 0,
    *,
    rate: float = RATE,
    name: bytes = b"test device",
    emulated: bool = True,
    version: int = 1,
) -> bytes:
    """Return an info frame."""
    head = struct.pack("<BBBBfI", 2, version, emulated, channels, rate, sequence % 2**32)
    return framed(head + name)


def values_of(number: int, channels: int = 8) -> list[float]:
    """Return what the test device measures in a frame: every value tells its number."""
    return [float(np.float32(number + channel / 16)) for channel in range(channels)]


def stream(numbers: Iterable[int], channels: int = 8) -> list[bytes]:
    """Return the frames of these numbers."""
    return [sample(number, values_of(number, channels)) for number in numbers]


def port_plan(path: str, name: str = "samples", *, reopen: bool = True) -> Port:
    """Return a port as a rig file describes it."""
    return Port(name, path, 921600, reopen=reopen)


def sources(
    names: Iterable[str] = NAMES, port: str = "samples", scaling: Scaling | None = None
) -> tuple[Source, ...]:
    """Return sources in the order of the frame."""
    scaling = scaling or Scaling()
    return tuple(Source(name, port, i, scaling) for i, name in enumerate(names, start=1))


def channels_of(names: Iterable[str] = NAMES) -> tuple[Channel, ...]:
    """Return sampled channels of these names."""
    return tuple(Channel(name, "1", 1e-6, -1e9, 1e9) for name in names)


def numbers_of(values: NDArray[np.float32]) -> list[int | None]:
    """Return the numbers that the first row of a block tells, None where it is missing."""
    return [None if np.isnan(value) else int(value) for value in values[0]]


def sequences(bodies: Iterable[bytes]) -> list[int]:
    """Return the sequence numbers of sample frames."""
    return [struct.unpack_from("<I", body, 1)[0] for body in bodies]


class PtyDevice:
    """A pseudo-terminal whose other end the test holds."""

    def __init__(self) -> None:
        self.master, slave = os.openpty()
        tty.setraw(self.master, termios.TCSANOW)
        tty.setraw(slave, termios.TCSANOW)
        self.path = os.ttyname(slave)
        # Open for as long as the device: a master whose last slave has closed reads nothing.
        self._slave = slave

    def send(self, data: bytes) -> None:
        """Put bytes on the line."""
        view = memoryview(data)
        while view:
            view = view[os.write(self.master, view) :]

    def close(self) -> None:
        """Unplug the device for good; safe to call twice."""
        for descriptor in (self.master, self._slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self._slave = -1


class StreamingDevice(PtyDevice):
    """Sends samples at its own pace in a thread, and says what it is whenever it is asked."""

    def __init__(
        self,
        *,
        channels: int = 8,
        first: int = 0,
        rate: float = RATE,
        info_rate: float | None = None,
        leaves_out: Callable[[int], bool] = lambda _number: False,
        time_of: float = 1.0,
    ) -> None:
        super().__init__()
        self.channels = channels
        self.number = first
        self.rate = rate
        self.info_rate = info_rate or rate
        self.leaves_out = leaves_out
        self.time_of = time_of
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="test device", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End the stream, then unplug."""
        self._ending.set()
        self._thread.join()
        super().close()

    def begin_anew(self) -> None:
        """Do what a device does that was switched off and on."""
        self.number = 0

    def _run(self) -> None:
        begun, sent = time.monotonic(), 0
        while not self._ending.wait(0.002):
            if select.select([self.master], [], [], 0)[0] and ASKED in os.read(self.master, 1000):
                self.send(info(self.channels, self.number, rate=self.info_rate))
            due = int((time.monotonic() - begun) * self.rate)
            batch = b""
            while sent < due:
                if not self.leaves_out(self.number):
                    micros = round(self.number * 1e6 / self.rate * self.time_of)
                    batch += sample(self.number, values_of(self.number, self.channels), micros)
                self.number += 1
                sent += 1
            if batch:
                self.send(batch)
