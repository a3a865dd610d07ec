"""Modbus RTU on the line: its CRC, and how a server cuts what it hears into requests.

After the "MODBUS over serial line specification and implementation guide V1.02" (2006) of the
Modbus Organization.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Final

LONGEST: Final = 256
"""Bytes of the longest frame on a serial line: address, 253 bytes, CRC."""
SHORTEST: Final = 4


def crc16(data: bytes | bytearray) -> int:
    """Return the CRC-16 of a frame: polynomial A001 reflected, begun with FFFF."""
    crc = 0xFFFF
    for byte in data:
        crc = crc >> 8 ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def _crc_of_byte(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC_TABLE: Final = tuple(map(_crc_of_byte, range(256)))


def with_crc(frame: bytes) -> bytes:
    """Return a frame with its CRC behind it, low byte first."""
    return frame + struct.pack("<H", crc16(frame))


def silence(baud: int) -> float:
    """Return the silence [s] that ends a frame: 3.5 characters of 11 bits, fixed above 19200."""
    return 3.5 * 11 / baud if baud <= 19200 else 1.75e-3


def is_frame(data: bytes | bytearray) -> bool:
    """Tell whether bytes are one frame: as long as one may be, with its own CRC behind it."""
    return SHORTEST <= len(data) <= LONGEST and crc16(data) == 0


class Ear:
    """Cuts what comes over the bus into requests: by the length that a function has, by silence.

    A request whose length is known is taken as soon as it is whole and its CRC fits. Everything
    else is held until the line has been silent, and is then a request or thrown away whole: the
    first byte of a request cannot be told from any other.

    Who hears in a process that may be `late` [s] cannot tell a pause of the line up to that from
    one of its own. Such a pause may or may not part two frames, and the CRC decides.
    """

    def __init__(self, silence: float, late: float = 0.0) -> None:
        self.broken = 0  # what was thrown away
        self._silence = silence
        self._enough = silence + late
        self._heard = bytearray()
        self._paused: list[int] = []  # where in it a frame may begin too
        self._last = float("-inf")

    @property
    def waiting(self) -> bool:
        """Whether bytes are held that no silence has ended yet."""
        return bool(self._heard)

    def hear(self, data: bytes, now: float) -> list[bytes]:
        """Take bytes that have come at `now` [s]; return the requests that are whole."""
        requests = self.fall_silent(now)
        if self._heard and now - self._last > self._silence:
            self._paused.append(len(self._heard))
        self._last = now
        self._heard += data
        while (found := next(self._whole(), None)) is not None:
            requests.append(bytes(self._heard[slice(*found)]))
            self.broken += found[0] > 0
            self._forget(found[1])
        while len(self._heard) > LONGEST and self._paused:
            self._forget(self._paused[0])
            self.broken += 1
        del self._heard[LONGEST + 1 :]  # one byte too many, so that it is no frame any more
        return requests

    def fall_silent(self, now: float) -> list[bytes]:
        """Return what was a request, now that the line may have been silent long enough."""
        if not self._heard or now - self._last <= self._enough:
            return []
        ends = (bytes(self._heard[begin:]) for begin in (0, *self._paused))
        request = next(filter(is_frame, ends), None)
        self.broken += request is None
        self._forget(len(self._heard))
        return [] if request is None else [request]

    def _whole(self) -> Iterator[tuple[int, int]]:
        """Yield begin and end of requests that are known to be whole."""
        for begin in (0, *self._paused):
            length = _length(self._heard[begin:])
            if length and is_frame(self._heard[begin : begin + length]):
                yield begin, begin + length

    def _forget(self, end: int) -> None:
        del self._heard[:end]
        self._paused = [at - end for at in self._paused if at > end]


def _length(heard: bytearray) -> int | None:
    """Return how long the request will be that begins so, None where only silence tells."""
    if len(heard) < 2:
        return None
    function = heard[1]
    if function in (1, 2, 3, 4, 5, 6, 8):
        return 8
    if function in (15, 16):
        return 9 + heard[6] if len(heard) > 6 else None
    return 7 if function == 43 else None
