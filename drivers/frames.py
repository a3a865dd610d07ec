"""The frames of a sample stream: from bytes to samples and what the device says of itself.

FRAMES.md has the protocol byte by byte. Each frame stands on the line as Consistent Overhead Byte
Stuffing [1] ended by a zero byte, and carries a CRC-32 [2] of all that is before it: whatever a
line does to the bytes, a frame is taken as it was sent or not at all.

Sources
-------
[1] S. Cheshire, M. Baker, Consistent overhead byte stuffing, IEEE/ACM Transactions on Networking
    7(2), 1999. [2] ITU-T V.42 (2002), 8.1.1.6.2; the CRC-32 of zlib.
"""

from __future__ import annotations

import functools
import struct
from dataclasses import dataclass
from typing import Any, Final
from zlib import crc32

import numpy as np
from cobs import cobs

from rig.samples import SampleArray

SAMPLE: Final = 1
INFO: Final = 2
REQUEST: Final = 16
VERSION: Final = 1
"""The version of this protocol that a device says it speaks."""

ASK_INFO: Final = 1
START: Final = 2
STOP: Final = 3

NAME: Final = 32
"""Longest name of a device [bytes of UTF-8]."""
MOST_CHANNELS: Final = 255

HEAD: Final = struct.Struct("<BII")
"""Begin of a sample frame: type, sequence, device time [us]."""
AROUND: Final = HEAD.size + 4
"""Bytes of a sample frame beside its values: the head and the CRC."""
_INFO: Final = struct.Struct("<BBBBfI")
_LONGEST: Final = 2048
"""Longest stretch without a zero byte that may still become a frame [bytes]."""
_RESIDUE: Final = 0x2144DF1C
"""CRC-32 of any message that is followed by its own CRC-32, least byte first."""
_EMPTY: Final = b""


@dataclass(frozen=True, slots=True)
class Info:
    """What a device says of itself: `rate` in frames a second, `sequence` of its next sample."""

    version: int
    emulated: bool
    channels: int
    rate: float
    sequence: int
    name: str


class FrameDecoder:
    """Turns bytes into frames, however they are cut; what is left over waits for more.

    `channels` is how many values a sample frame must have: what the device's own info says, else
    what its first sample has. `good` counts samples and infos, `bad` pieces between zero bytes
    that are no frame (the first piece after `restart` is forgiven: one joins a stream in the middle
    of a frame), `strange` whole frames of types or lengths that are not expected.
    """

    def __init__(self) -> None:
        self.channels: int | None = None
        self.good = 0
        self.bad = 0
        self.strange = 0
        self._rest = _EMPTY
        self._joined = False

    def restart(self) -> None:
        """Forget what was left over: the stream has been broken off."""
        self._rest = _EMPTY
        self._joined = False

    def feed(self, data: bytes) -> tuple[list[bytes], list[Info]]:
        """Return what is whole with these bytes: bodies of sample frames, infos, each in order.

        All bodies are of the length that `channels` asks for, their CRC-32 still at their end.
        """
        bodies: list[bytes] = []
        infos: list[Info] = []
        if b"\0" not in data:
            self._keep(self._rest + data)
            return bodies, infos
        *pieces, rest = (self._rest + data).split(b"\0")
        self._keep(rest)
        for piece in pieces:
            if piece:
                self._take(piece, bodies, infos)
            self._joined = True
        return bodies, infos

    def _keep(self, rest: bytes) -> None:
        if len(rest) > _LONGEST:
            # Noise without an end: its tail will be one more bad piece, and costs no memory.
            rest = rest[-1:]
            self.bad += 1
        self._rest = rest

    def _take(self, piece: bytes, bodies: list[bytes], infos: list[Info]) -> None:
        try:
            body = cobs.decode(piece)
        except cobs.DecodeError:
            self.bad += self._joined
            return
        if crc32(body) != _RESIDUE or len(body) <= 4:
            self.bad += self._joined
        elif body[0] == SAMPLE and self._fits(len(body)):
            bodies.append(body)
            self.good += 1
        elif body[0] == INFO and (info := _info(body)) is not None:
            infos.append(info)
            self.good += 1
            if self.channels != info.channels:
                self.channels = info.channels
                self.strange += len(bodies)
                self.good -= len(bodies)
                bodies.clear()
        else:
            self.strange += 1

    def _fits(self, length: int) -> bool:
        if self.channels is None and length >= AROUND and (length - AROUND) % 4 == 0:
            self.channels = (length - AROUND) // 4
        return self.channels is not None and length == AROUND + 4 * self.channels


def values(bodies: list[bytes]) -> SampleArray:
    """Return the values of sample frames of one length, float32 of shape (frames, channels)."""
    channels = (len(bodies[0]) - AROUND) // 4
    if len(bodies) == 1:  # nearly always: a thousand times a second
        return np.frombuffer(bodies[0], "<f4", channels, HEAD.size).reshape(1, channels)
    found: SampleArray = np.frombuffer(b"".join(bodies), _layout(channels))["values"]
    return found


def request(what: int) -> bytes:
    """Return a request to a device as it goes over the line: ASK_INFO, START or STOP."""
    body = bytes((REQUEST, what))
    whole: bytes = cobs.encode(body + crc32(body).to_bytes(4, "little"))
    # The first zero ends whatever a disturbance has left in the device's receiver.
    return b"\0" + whole + b"\0"


def line_time(channels: int, bits_a_byte: int, baud: int) -> float:
    """Return how long a sample frame is on the line [s]."""
    body = AROUND + 4 * channels
    return (body + 1 + body // 254 + 1) * bits_a_byte / baud


def _info(body: bytes) -> Info | None:
    """Return what an info frame says, None where it has not the length of one."""
    name = body[_INFO.size : -4]
    if len(body) < _INFO.size + 4 or len(name) > NAME:
        return None
    _, version, flags, channels, rate, sequence = _INFO.unpack_from(body)
    text = name.decode("utf-8", "replace")
    shown = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return Info(version, bool(flags & 1), channels, rate, sequence, shown.strip())


@functools.cache
def _layout(channels: int) -> np.dtype[Any]:
    """Return how a sample frame lies in memory."""
    return np.dtype([("head", "V9"), ("values", "<f4", (channels,)), ("check", "<u4")])
