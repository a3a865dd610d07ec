"""How bytes become bits on a serial line, and what a receiver set otherwise makes of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

IDLE: Final = 1
"""Level of a line on which nothing is sent."""


@dataclass(frozen=True, slots=True)
class Framing:
    """How one end of a line is set. `parity` is "none", "even" or "odd"."""

    baud: int
    parity: str = "none"
    stop_bits: int = 1
    data_bits: int = 8

    @property
    def bits(self) -> int:
        """Bits of one byte on the line, start, parity and stop bits among them."""
        return 1 + self.data_bits + (self.parity != "none") + self.stop_bits

    @property
    def byte_time(self) -> float:
        """Time of one byte on the line [s]."""
        return self.bits / self.baud

    def fits(self, other: Framing) -> bool:
        """Tell whether a receiver set as `other` reads what is sent; stop bits do not matter."""
        return (self.baud, self.parity, self.data_bits) == (
            other.baud,
            other.parity,
            other.data_bits,
        )


def heard(data: bytes, sent: Framing, by: Framing, *, strict: bool) -> bytes:
    """Return what a receiver set as `by` takes for bytes when `data` is sent as `sent`.

    The receiver samples each bit in its middle, counted from the edge of the start bit, and takes
    a low stop bit for the next start bit, as common receivers do (from memory: data sheet of the
    16550). A `strict` one throws away bytes with a wrong parity or stop bit; a computer in raw
    mode passes them on.
    """
    levels = _levels(data, sent)
    ratio = sent.baud / by.baud
    taken = bytearray()
    at: float | None = _edge(levels, 0.0)
    while at is not None:
        value = sum(_level(levels, at + (1.5 + k) * ratio) << k for k in range(by.data_bits))
        stop = 1.5 + by.data_bits
        good = True
        if by.parity != "none":
            good = _level(levels, at + stop * ratio) == _parity(value, by.parity)
            stop += 1
        ended = _level(levels, at + stop * ratio) == IDLE
        if (good and ended) or not strict:
            taken.append(value)
        at = _edge(levels, at + stop * ratio)
    return bytes(taken)


def _levels(data: bytes, framing: Framing) -> bytes:
    """Return the levels of the line, one for each bit of the sender."""
    bits = bytearray()
    for byte in data:
        bits.append(0)
        bits += bytes(byte >> k & 1 for k in range(framing.data_bits))
        if framing.parity != "none":
            bits.append(_parity(byte & (1 << framing.data_bits) - 1, framing.parity))
        bits += bytes([IDLE]) * framing.stop_bits
    return bytes(bits)


def _parity(value: int, parity: str) -> int:
    odd = value.bit_count() & 1
    return odd if parity == "even" else 1 - odd


def _level(levels: bytes, at: float) -> int:
    place = int(at)
    return levels[place] if place < len(levels) else IDLE


def _edge(levels: bytes, at: float) -> float | None:
    """Return where the next start bit begins at or after a time in bits; None for nowhere."""
    place = int(at)
    if _level(levels, at) != IDLE:
        return at
    found = levels.find(0, place)
    return None if found < 0 else float(found)
