"""What a Modbus server answers: questions and replies of the application protocol.

After the "MODBUS application protocol specification V1.1b3" (2012) of the Modbus Organization,
and without any library, so that what asks on the other side is held against code of its own.
Whatever bytes come, nothing here raises, and nothing with a broken CRC is answered.
"""

from __future__ import annotations

import struct
from collections.abc import Awaitable, Callable, Sequence
from typing import Final, Literal, Protocol

from simulators.wire.rtu import is_frame, with_crc

BROADCAST: Final = 0
"""Address of a write to all devices at once; nobody answers it."""

ILLEGAL_FUNCTION: Final = 1
ILLEGAL_ADDRESS: Final = 2
ILLEGAL_VALUE: Final = 3

Table = Literal["coil", "discrete", "holding", "input"]

_MOST_BITS_READ: Final = 2000
_MOST_WORDS_READ: Final = 125
_MOST_BITS_WRITTEN: Final = 0x7B0
_MOST_WORDS_WRITTEN: Final = 0x7B
_WRITES: Final = frozenset((5, 6, 15, 16))
_ON: Final = {0xFF00: True, 0x0000: False}
_INDIVIDUAL: Final = 4
_CONFORMITY: Final = 0x81
"""Basic identification, read as a stream or object by object."""


class Refused(Exception):
    """What a device answers by an exception code of the specification."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code}")
        self.code = code


class Station(Protocol):
    """A device at an address of the bus, with its tables, each counted from 0.

    `identity` holds vendor name, product code and revision. What raises DeviceError is not
    answered: the device does not do what it must, and is silent.
    """

    address: int
    identity: tuple[str, ...]

    async def bits(self, table: Literal["coil", "discrete"]) -> Sequence[bool]:
        """Return all bits of a table."""

    async def words(self, table: Literal["holding", "input"]) -> Sequence[int]:
        """Return all registers of a table, 0 to 65535."""

    async def set_bit(self, at: int, on: bool) -> None:
        """Set a coil that is there."""

    async def set_word(self, at: int, value: int) -> None:
        """Set a holding register that is there; raises Refused for a value it does not take."""


async def answer(request: bytes, station: Station) -> bytes | None:
    """Return what a station answers to a request with its CRC; None for nothing.

    It is silent to other addresses, to a broken CRC, to replies of others, and to what is told
    to all, which it does where it is a write.
    """
    if not is_frame(request):
        return None
    address, question = request[0], request[1:-2]
    if address == BROADCAST:
        if question[0] in _WRITES:
            await _reply(question, station)
        return None
    if address != station.address or question[0] & 0x80:
        return None
    return with_crc(bytes((address,)) + await _reply(question, station))


async def _reply(question: bytes, station: Station) -> bytes:
    function = question[0]
    try:
        act = _FUNCTIONS.get(function, _unknown)
        return question[:1] + await act(question[1:], station)
    except Refused as refused:
        return bytes((function | 0x80, refused.code))


def _two(data: bytes) -> tuple[int, int]:
    """Return two numbers of a request that holds no more."""
    _need(len(data) == 4)
    first, second = struct.unpack(">HH", data)
    return first, second


def _need(holds: bool, code: int = ILLEGAL_VALUE) -> None:
    if not holds:
        raise Refused(code)


async def _read_bits(data: bytes, station: Station, table: Literal["coil", "discrete"]) -> bytes:
    at, count = _two(data)
    _need(1 <= count <= _MOST_BITS_READ)
    bits = await station.bits(table)
    _need(at + count <= len(bits), ILLEGAL_ADDRESS)
    packed = sum(bool(bit) << k for k, bit in enumerate(bits[at : at + count]))
    size = (count + 7) // 8
    return bytes((size,)) + packed.to_bytes(size, "little")


async def _read_words(data: bytes, station: Station, table: Literal["holding", "input"]) -> bytes:
    at, count = _two(data)
    _need(1 <= count <= _MOST_WORDS_READ)
    words = await station.words(table)
    _need(at + count <= len(words), ILLEGAL_ADDRESS)
    return struct.pack(f">B{count}H", 2 * count, *words[at : at + count])


async def _write_bit(data: bytes, station: Station) -> bytes:
    at, value = _two(data)
    _need(value in _ON)
    _need(at < len(await station.bits("coil")), ILLEGAL_ADDRESS)
    await station.set_bit(at, _ON[value])
    return data


async def _write_word(data: bytes, station: Station) -> bytes:
    at, value = _two(data)
    _need(at < len(await station.words("holding")), ILLEGAL_ADDRESS)
    await station.set_word(at, value)
    return data


async def _write_bits(data: bytes, station: Station) -> bytes:
    at, count, packed = _several(data)
    _need(1 <= count <= _MOST_BITS_WRITTEN and len(packed) == (count + 7) // 8)
    _need(at + count <= len(await station.bits("coil")), ILLEGAL_ADDRESS)
    bits = int.from_bytes(packed, "little")
    for k in range(count):
        await station.set_bit(at + k, bool(bits >> k & 1))
    return data[:4]


async def _write_words(data: bytes, station: Station) -> bytes:
    at, count, packed = _several(data)
    _need(1 <= count <= _MOST_WORDS_WRITTEN and len(packed) == 2 * count)
    _need(at + count <= len(await station.words("holding")), ILLEGAL_ADDRESS)
    for k, value in enumerate(struct.unpack(f">{count}H", packed)):
        await station.set_word(at + k, value)
    return data[:4]


def _several(data: bytes) -> tuple[int, int, bytes]:
    """Return begin, count and packed values of a write of several."""
    _need(len(data) > 5 and data[4] == len(data) - 5)
    at, count = struct.unpack(">HH", data[:4])
    return at, count, data[5:]


async def _unknown(_data: bytes, _station: Station) -> bytes:
    raise Refused(ILLEGAL_FUNCTION)


async def _diagnose(data: bytes, _station: Station) -> bytes:
    """Return the query data as they came (sub-function 0); there is no other diagnosis."""
    _need(len(data) >= 2 and len(data) % 2 == 0)
    _need(data[:2] == b"\0\0", ILLEGAL_FUNCTION)
    return data


async def _identify(data: bytes, station: Station) -> bytes:
    """Return the identification: a stream from an object on, or one object by itself."""
    _need(data[:1] == b"\x0e", ILLEGAL_FUNCTION)
    _need(len(data) == 3)
    access, wanted = data[1], data[2]
    objects = [text.encode("ascii", "replace") for text in station.identity]
    _need(1 <= access <= _INDIVIDUAL)
    if access == _INDIVIDUAL:
        _need(wanted < len(objects), ILLEGAL_ADDRESS)
        chosen = [wanted]
    else:
        # A stream that begins at an unknown object begins at the first one (section 6.21).
        chosen = list(range(wanted if wanted < len(objects) else 0, len(objects)))
    head = bytes((0x0E, access, _CONFORMITY, 0, 0, len(chosen)))
    return head + b"".join(bytes((k, len(objects[k]))) + objects[k] for k in chosen)


_Act = Callable[[bytes, Station], Awaitable[bytes]]
_FUNCTIONS: Final[dict[int, _Act]] = {
    1: lambda data, station: _read_bits(data, station, "coil"),
    2: lambda data, station: _read_bits(data, station, "discrete"),
    3: lambda data, station: _read_words(data, station, "holding"),
    4: lambda data, station: _read_words(data, station, "input"),
    5: _write_bit,
    6: _write_word,
    8: _diagnose,
    15: _write_bits,
    16: _write_words,
    43: _identify,
}
