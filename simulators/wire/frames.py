"""Binary frames of the emulated acquisition: consistent overhead byte stuffing and a CRC-32.

Written from the papers and used by the emulation alone; what reads the frames on the other side
has code of its own, so that a mistake cannot hide in both.

Stuffing: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7 (1999) 159-172. A code byte tells how far it is to the next zero; 255 tells of 254
bytes without one. So no zero is left inside a frame, and a zero ends it. The CRC-32 is the one
of zlib (IEEE 802.3), little-endian behind what it covers.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import SampleArray

END: Final = b"\0"
"""What ends a frame on the line."""
SAMPLE: Final = 1
INFO: Final = 2
REQUEST: Final = 16
VERSION: Final = 1
EMULATED: Final = 1
"""Bit 0 of the flags of a device info."""
NAME_LIMIT: Final = 32
"""Bytes of UTF-8 that a device's name may take."""
WRAP: Final = 1 << 32
"""Sequence number and device time begin again at 0 here."""
FULL: Final = 254
"""Bytes without a zero that one code byte can lead."""

_INFO: Final = struct.Struct("<BBBBfI")
_REQUEST: Final = struct.Struct("<BB")
_CRC: Final = struct.Struct("<I")


def stuffed(data: bytes) -> bytes:
    """Return data without a zero in it, at most one byte longer for each 254."""
    parts = data.split(END)
    out: list[bytes] = []
    for number, part in enumerate(parts):
        rest = part
        while len(rest) >= FULL:
            out += (b"\xff", rest[:FULL])
            rest = rest[FULL:]
        # 254 bytes that end the data need no code byte for the nothing behind them.
        if rest or not part or number + 1 < len(parts):
            out += (bytes((len(rest) + 1,)), rest)
    return b"".join(out)


def unstuffed(frame: bytes) -> bytes:
    """Return what was stuffed.

    Raises ValueError for bytes that no stuffing leaves: none at all, a zero, a block cut short.
    """
    if not frame:
        raise ValueError("a frame has at least one byte")
    if END in frame:
        raise ValueError("a zero inside a frame")
    out = bytearray()
    at = 0
    while at < len(frame):
        code = frame[at]
        block = frame[at + 1 : at + code]
        if len(block) < code - 1:
            raise ValueError(f"a block of {code - 1} bytes was cut to {len(block)}")
        out += block
        at += code
        if code <= FULL and at < len(frame):
            out += END
    return bytes(out)


def framed(body: bytes) -> bytes:
    """Return a body with its CRC-32 as it goes over the line, the zero that ends it included."""
    return stuffed(body + _CRC.pack(zlib.crc32(body))) + END


def body_of(frame: bytes) -> bytes:
    """Return the body of a frame that has come, without the zero that ended it.

    Raises ValueError where the stuffing is broken or the CRC-32 does not fit.
    """
    whole = unstuffed(frame)
    if len(whole) <= _CRC.size:
        raise ValueError(f"a frame of {len(whole)} bytes holds nothing but a CRC")
    body, crc = whole[: -_CRC.size], _CRC.unpack(whole[-_CRC.size :])[0]
    if zlib.crc32(body) != crc:
        raise ValueError(f"CRC {crc:08x} does not fit: {zlib.crc32(body):08x} was expected")
    return body


@dataclass(frozen=True, slots=True)
class DeviceInfo:
    """What an acquisition says of itself: name, channels in a frame, frames a second [Hz]."""

    name: str
    channels: int
    rate: float
    emulated: bool = True


def info_frame(info: DeviceInfo, sequence: int) -> bytes:
    """Return the frame of a device info; `sequence` is the number of the next sample frame."""
    flags = EMULATED if info.emulated else 0
    head = _INFO.pack(INFO, VERSION, flags, info.channels, info.rate, sequence % WRAP)
    name = info.name.encode()[:NAME_LIMIT].decode(errors="ignore").encode()
    return framed(head + name)


def sample_frames(
    sequence: int, microseconds: NDArray[np.int64], values: SampleArray
) -> list[bytes]:
    """Return frames of samples as they go over the line, one after the other.

    `values` has the shape (channels, frames), in the units of the line; `microseconds` the
    device time of each frame. The sequence goes up by one from frame to frame and wraps.
    """
    pack = struct.Struct(f"<BII{len(values)}f").pack
    # Column by column: for one or two frames arrays cost more than they save.
    columns = zip(microseconds.tolist(), values.T.tolist(), strict=True)
    return [
        framed(pack(SAMPLE, (sequence + k) % WRAP, time % WRAP, *column))
        for k, (time, column) in enumerate(columns)
    ]


def request_of(frame: bytes) -> int:
    """Return what a request asks for: 1 info, 2 start, 3 stop, or a number unknown here.

    Raises ValueError for a frame that is broken or no request.
    """
    body = body_of(frame)
    if len(body) != _REQUEST.size or body[0] != REQUEST:
        raise ValueError(f"no request: {len(body)} bytes of type {body[0]}")
    return int(_REQUEST.unpack(body)[1])


class Frames:
    """Cuts what comes over a line into frames, however it was cut on its way.

    What grows beyond `limit` bytes without an end is no frame and is thrown away up to its end.
    """

    def __init__(self, limit: int = 1024) -> None:
        self._limit = limit
        self._rest = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes]:
        """Return the frames that have come to an end, without their ends; empty ones left out."""
        *whole, rest = (self._rest + data).split(END)
        if self._skipping and whole:
            whole, self._skipping = whole[1:], False
        if len(rest) > self._limit:
            rest, self._skipping = b"", True
        # While skipping, nothing is kept: the first part that ends is the tail of what is skipped.
        self._rest = b"" if self._skipping else rest
        return [part for part in whole if part and len(part) <= self._limit]
