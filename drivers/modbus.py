"""Modbus RTU as plain bytes: questions, the check of a frame, and frames cut from a stream.

The PDUs are made and read by pymodbus; what is around them on a serial line is ours, because a
frame that did not fit must not cost the one behind it. Sources: "MODBUS Application Protocol
Specification V1.1b3" (PDUs, exception codes), "MODBUS over Serial Line Specification and
Implementation Guide V1.02" (RTU frame, CRC-16, silence between frames).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pymodbus.pdu import ModbusPDU

AROUND: Final = 3
"""Bytes of an RTU frame around its PDU: the address and the check."""
SHORTEST: Final = 5
"""Bytes of the shortest reply, an exception."""
LONGEST: Final = 256
"""Bytes of the longest RTU frame."""
MOST_BITS: Final = 2000
"""Bits that one question may read."""
MOST_REGISTERS: Final = 125
"""Registers that one question may read."""
LAST_ADDRESS: Final = 247
"""Highest address of a device; 0 speaks to all and is not answered."""

READS: Final = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function that reads each table."""
ECHO: Final = 0x08
"""Diagnostics; its sub-function 0, Return Query Data, gives back what it was sent."""
IDENTIFY: Final = 0x2B
"""Encapsulated interface transport; with type 0x0E it is Read Device Identification."""

EXCEPTIONS: Final = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledged, not done yet",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Exception codes in the words of the specification (V1.1b3, section 7)."""

_FIXED: Final = {5: 8, 6: 8, ECHO: 8, 15: 8, 16: 8}
"""Length of whole replies that are always as long, by function."""
_COUNTED: Final = frozenset({1, 2, 3, 4})
"""Functions whose replies say their length in their third byte."""
_EXCEPTION: Final = 0x80
_OBJECTS_AT: Final = 8
"""Where in a whole reply the objects of Read Device Identification begin."""


@dataclass(frozen=True, slots=True)
class Question:
    """A request PDU, the length of the PDU that answers it (0: any), and words for people."""

    pdu: bytes
    length: int
    says: str

    @property
    def function(self) -> int:
        """Return the function code."""
        return self.pdu[0]

    def fits(self, reply: bytes) -> bool:
        """Return whether a reply PDU can answer this question."""
        if not reply or reply[0] != self.function or (self.length and len(reply) != self.length):
            return False
        if self.function in _COUNTED:
            return reply[1] == self.length - 2
        if self.function in (5, 6, ECHO):
            return reply == self.pdu
        if self.function in (15, 16):
            return reply == self.pdu[:5]
        return reply[1:2] == self.pdu[1:2]

    def refused_by(self, reply: bytes) -> bool:
        """Return whether a reply PDU is an exception to this question."""
        return len(reply) == 2 and reply[0] == self.function | _EXCEPTION


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame that was whole: who sent it, and its PDU."""

    address: int
    pdu: bytes


@dataclass(frozen=True, slots=True)
class Cut:
    """What was found in a stream: frames, bytes that are in none, and what is not whole yet."""

    frames: tuple[Frame, ...]
    garbage: int
    rest: bytes


def crc16(data: bytes) -> int:
    """Return the CRC-16 of bytes: polynomial 0xA001 reflected, begun with 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _TABLE[(crc ^ byte) & 0xFF]
    return crc


def frame(address: int, pdu: bytes) -> bytes:
    """Return the RTU frame of a PDU; the CRC's low byte goes first."""
    body = bytes([address]) + pdu
    return body + crc16(body).to_bytes(2, "little")


def cut(data: bytes, *, final: bool = False) -> Cut:
    """Cut replies out of a stream in which anything may lie before, between and behind them.

    With `final` nothing more will come: what only looked like the beginning of a frame is
    garbage, and a frame behind it is found.
    """
    frames: list[Frame] = []
    garbage = at = 0
    while at < len(data):
        size = _size(data[at : at + LONGEST])
        if size is None or at + size > len(data):
            if size is None or final:
                garbage += 1
                at += 1
                continue
            break
        body = data[at : at + size - 2]
        if crc16(body) == int.from_bytes(data[at + size - 2 : at + size], "little"):
            frames.append(Frame(body[0], body[1:]))
            at += size
        else:
            garbage += 1
            at += 1
    return Cut(tuple(frames), garbage, data[at:])


def _size(data: bytes) -> int | None:
    """Return how long the reply that begins here is, at least, or None where none begins."""
    if not 1 <= data[0] <= LAST_ADDRESS:
        return None
    if len(data) < 3:
        return SHORTEST if len(data) < 2 or _is_known(data[1]) else None
    function, third = data[1], data[2]
    if function in _FIXED:
        return _FIXED[function]
    if function in _COUNTED:
        return third + SHORTEST if 1 <= third <= LONGEST - 6 else None
    if function == IDENTIFY:
        return _identification_size(data)
    if _is_known(function):
        return SHORTEST if third in EXCEPTIONS else None
    return None


def _is_known(function: int) -> bool:
    code = function & ~_EXCEPTION
    return code in _FIXED or code in _COUNTED or code == IDENTIFY


def _identification_size(data: bytes) -> int | None:
    """Return the least length of an identification; it grows while its objects are read."""
    if data[2] != 0x0E:
        return None
    if len(data) < _OBJECTS_AT:
        return _OBJECTS_AT + 2
    size = _OBJECTS_AT
    for _ in range(data[_OBJECTS_AT - 1]):
        if len(data) < size + 2:
            return size + 4
        size += 2 + data[size + 1]
    return size + 2 if size + 2 <= LONGEST else None


def read(table: str, at: int, count: int) -> Question:
    """Return the question for `count` bits or registers of a table (a key of `READS`).

    Raises ValueError for addresses and counts outside the specification.
    """
    from pymodbus.pdu import bit_message, register_message

    kind = {
        "coil": bit_message.ReadCoilsRequest,
        "discrete": bit_message.ReadDiscreteInputsRequest,
        "holding": register_message.ReadHoldingRegistersRequest,
        "input": register_message.ReadInputRegistersRequest,
    }[table]
    number = (count + 7) // 8 if table in ("coil", "discrete") else 2 * count
    return _question(kind(address=at, count=count), 2 + number, f"read {count} {table} at {at}")


def write_bit(at: int, value: bool, *, several: bool = False) -> Question:
    """Return the question that writes one coil, with function 5, or 15 for `several`."""
    from pymodbus.pdu import bit_message

    says = f"write coil {at} = {int(value)}"
    if several:
        return write_bits(at, (value,))
    return _question(bit_message.WriteSingleCoilRequest(address=at, bits=[value]), 5, says)


def write_bits(at: int, values: Sequence[bool]) -> Question:
    """Return the question that writes coils with function 15."""
    from pymodbus.pdu import bit_message

    says = f"write {len(values)} coils at {at}"
    asked = bit_message.WriteMultipleCoilsRequest(address=at, bits=list(values))
    return _question(asked, 5, says)


def write_register(at: int, value: int, *, several: bool = False) -> Question:
    """Return the question that writes one register, with function 6, or 16 for `several`."""
    from pymodbus.pdu import register_message

    if several:
        return write_registers(at, (value,))
    asked = register_message.WriteSingleRegisterRequest(address=at, registers=[value])
    return _question(asked, 5, f"write register {at} = {value}")


def write_registers(at: int, values: Sequence[int]) -> Question:
    """Return the question that writes holding registers with function 16."""
    from pymodbus.pdu import register_message

    says = f"write {len(values)} registers at {at}"
    asked = register_message.WriteMultipleRegistersRequest(address=at, registers=list(values))
    return _question(asked, 5, says)


def echo(number: int) -> Question:
    """Return the question that is answered by itself: Return Query Data with 16 bits."""
    from pymodbus.pdu import diag_message

    asked = diag_message.ReturnQueryDataRequest(message=number & 0xFFFF)
    return _question(asked, 5, f"return {number & 0xFFFF:#06x}")


def identify(number: int) -> Question:
    """Return the question for one object of a device's identification, such as 1, its product."""
    from pymodbus.pdu import mei_message

    asked = mei_message.ReadDeviceInformationRequest(read_code=4, object_id=number)
    return _question(asked, 0, f"identify object {number}")


def bits(reply: bytes, count: int) -> tuple[bool, ...]:
    """Return the bits of the reply PDU to a read of `count` bits."""
    return tuple(bool(bit) for bit in _decoded(reply).bits[:count])


def registers(reply: bytes) -> tuple[int, ...]:
    """Return the registers of the reply PDU to a read of registers."""
    return tuple(_decoded(reply).registers)


def identified(reply: bytes, number: int) -> str:
    """Return what one object of an identification says; "" where it is not in the reply."""
    found = getattr(_decoded(reply), "information", {}).get(number, b"")
    return found.decode("utf-8", "replace") if isinstance(found, bytes) else ""


def refusal(reply: bytes) -> str:
    """Return the words of an exception reply."""
    code = reply[1]
    return f"{EXCEPTIONS.get(code, 'unknown exception')} ({code})"


def _question(asked: ModbusPDU, length: int, says: str) -> Question:
    return Question(bytes([asked.function_code]) + asked.encode(), length, says)


def _decoded(reply: bytes) -> ModbusPDU:
    from pymodbus.pdu import DecodePDU

    found = DecodePDU(is_server=False).decode(reply)
    if found is None:
        raise ValueError(f"no reply: {reply.hex(' ')}")
    return found


def _table() -> tuple[int, ...]:
    entries = []
    for byte in range(256):
        crc = byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xA001 if crc & 1 else 0)
        entries.append(crc)
    return tuple(entries)


_TABLE: Final = _table()
