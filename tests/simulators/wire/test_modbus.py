"""The emulated Modbus server against the examples of the public specifications.

"MODBUS application protocol specification V1.1b3" and "MODBUS over serial line specification and
implementation guide V1.02", Modbus Organization: the examples are from memory. The two frames of
station 17 with their CRCs stand in many descriptions of the reference guide PI-MBUS-300.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from simulators.wire.modbus import Refused, answer
from simulators.wire.rtu import Ear, crc16, silence, with_crc

SILENCE = 2e-3


@dataclass
class Tables:
    """A station that holds what the examples of the specification read."""

    address: int = 17
    identity: tuple[str, ...] = ("Company identification", "Product code XX", "V2.11")
    coils: list[bool] = field(default_factory=lambda: [False] * 256)
    discrete: list[bool] = field(default_factory=lambda: [False] * 256)
    holding: list[int] = field(default_factory=lambda: [0] * 256)
    inputs: list[int] = field(default_factory=lambda: [0] * 256)

    async def bits(self, table):
        return self.coils if table == "coil" else self.discrete

    async def words(self, table):
        return self.holding if table == "holding" else self.inputs

    async def set_bit(self, at, on):
        self.coils[at] = on

    async def set_word(self, at, value):
        if value == 0xDEAD:
            raise Refused(3)
        self.holding[at] = value


def filled(coils: str = "CD 6B 05") -> Tables:
    """Return a station with the values of the examples."""
    tables = Tables()
    for at, packed, bits in ((0x13, coils, tables.coils), (0xC4, "AC DB 35", tables.discrete)):
        for byte, value in enumerate(bytes.fromhex(packed)):
            for bit in range(8):
                bits[at + 8 * byte + bit] = bool(value >> bit & 1)
    tables.holding[0x6B:0x6E] = [0x022B, 0x0000, 0x0064]
    tables.inputs[8] = 0x000A
    return tables


IDENTITY = (
    "2B 0E 01 81 00 00 03 00 16" + b"Company identification".hex() + "01 0F"
    "" + b"Product code XX".hex() + "02 05" + b"V2.11".hex()
)
# Question and reply by section of V1.1b3; the identification says conformity 81 where the example
# says 01, because single objects can be read too, and gives the 15 letters of its product code.
EXAMPLES = {
    "6.1 read coils": ("01 00 13 00 13", "01 03 CD 6B 05"),
    "6.2 read discrete inputs": ("02 00 C4 00 16", "02 03 AC DB 35"),
    "6.3 read holding registers": ("03 00 6B 00 03", "03 06 02 2B 00 00 00 64"),
    "6.4 read input registers": ("04 00 08 00 01", "04 02 00 0A"),
    "6.5 write single coil": ("05 00 AC FF 00", "05 00 AC FF 00"),
    "6.6 write single register": ("06 00 01 00 03", "06 00 01 00 03"),
    "6.8 return query data": ("08 00 00 A5 37", "08 00 00 A5 37"),
    "6.11 write multiple coils": ("0F 00 13 00 0A 02 CD 01", "0F 00 13 00 0A"),
    "6.12 write multiple registers": ("10 00 01 00 02 04 00 0A 01 02", "10 00 01 00 02"),
    "6.21 read device identification": ("2B 0E 01 00", IDENTITY),
    "7 exception": ("01 04 A1 00 01", "81 02"),
}


def ask(tables: Tables, question: str, address: int = 17) -> str | None:
    """Return the reply to a question without address and CRC, in hexadecimal."""
    request = with_crc(bytes((address,)) + bytes.fromhex(question))
    got = asyncio.run(answer(request, tables))
    if got is None:
        return None
    assert got[0] == address
    assert with_crc(got[:-2]) == got
    return got[1:-2].hex(" ").upper()


def as_hex(text: str) -> str:
    return bytes.fromhex(text).hex(" ").upper()


def heard(parts: list[bytes], pause: float = 0.0) -> list[bytes]:
    """Return the requests an ear takes from parts with pauses between them, and a last silence."""
    ear, now, requests = Ear(SILENCE), 0.0, []
    for part in parts:
        now += pause
        requests += ear.hear(part, now)
    return requests + ear.fall_silent(now + 2 * SILENCE)


def test_the_crc_is_that_of_the_guide_and_of_the_catalogue():
    # Guide V1.02, appendix B: the message 02 07 has the CRC 1241, sent as 41 12.
    assert with_crc(bytes.fromhex("02 07")) == bytes.fromhex("02 07 41 12")
    # CRC-16/MODBUS in the catalogue of parametrised CRC algorithms, "123456789": 4B37.
    assert crc16(b"123456789") == 0x4B37


@given(st.binary(max_size=300))
def test_an_independent_library_has_the_same_crc(data):
    # That library gives the bytes in the order in which they are sent.
    assert crc16(data).to_bytes(2, "little") == FramerRTU.compute_CRC(data).to_bytes(2, "big")


@pytest.mark.parametrize(("question", "reply"), EXAMPLES.values(), ids=EXAMPLES)
def test_the_examples_of_the_specification_are_answered_so(question, reply):
    assert ask(filled(), question) == as_hex(reply)


@pytest.mark.parametrize(
    ("request_", "reply"),
    [
        ("11 03 00 6B 00 03 76 87", "11 03 06 02 2B 00 00 00 64 C8 BA"),
        ("11 01 00 13 00 25 0E 84", "11 01 05 CD 6B B2 0E 1B 45 E6"),
        ("11 02 00 C4 00 16 BA A9", "11 02 03 AC DB 35 20 18"),
    ],
)
def test_published_frames_are_answered_so_to_the_last_byte(request_, reply):
    got = asyncio.run(answer(bytes.fromhex(request_), filled("CD 6B B2 0E 1B")))
    assert got == bytes.fromhex(reply)


REQUESTS = [with_crc(b"\x11" + bytes.fromhex(question)) for question, _ in EXAMPLES.values()]
# Loop-back of more than one register, an unknown function: only silence tells their end.
OPEN_ENDED = [with_crc(bytes.fromhex(q)) for q in ("11 08 00 00 A5 37 12 34", "11 41 01 02 03")]


@pytest.mark.parametrize("request_", REQUESTS + OPEN_ENDED, ids=lambda r: r.hex())
def test_a_request_is_heard_whole_in_bytes_and_among_garbage(request_):
    junk = bytes.fromhex("11 03 00")
    assert heard([request_]) == [request_]
    assert heard([bytes((b,)) for b in request_]) == [request_]
    # Garbage that a silence parts from it takes nothing away, before it or behind it.
    assert heard([junk, request_, junk], pause=2 * SILENCE) == [request_]
    # Without silence the bytes are another frame, whose CRC is broken.
    assert heard([junk + request_]) == []
    # A pause inside makes two pieces of it.
    assert heard([request_[:4], request_[4:]], pause=2 * SILENCE) == []


@pytest.mark.parametrize("request_", REQUESTS, ids=lambda r: r.hex())
def test_a_request_of_known_length_is_heard_before_the_silence(request_):
    assert Ear(SILENCE).hear(request_ + request_, 0.0) == [request_, request_]
    assert heard([request_ + b"\x11\x03"]) == [request_]


def test_after_noise_longer_than_a_frame_the_next_request_is_heard():
    ear = Ear(SILENCE)
    for k in range(100):
        assert ear.hear(b"\x55" * 50, k * 1e-3) == []
    assert ear.hear(REQUESTS[0], 1.0) == [REQUESTS[0]]
    assert ear.broken == 1


@pytest.mark.parametrize("request_", REQUESTS + OPEN_ENDED, ids=lambda r: r.hex())
def test_a_process_that_may_be_late_takes_no_pause_of_its_own_for_the_end(request_):
    def heard_late(parts: list[bytes], pause: float) -> tuple[list[bytes], int]:
        ear, requests = Ear(SILENCE, late=0.05), []
        for k, part in enumerate(parts):
            requests += ear.hear(part, k * pause)
        return requests + ear.fall_silent(100.0), ear.broken

    pieces = [request_[:1], request_[1:5], request_[5:]]
    assert heard_late(pieces, 0.04) == ([request_], 0)
    assert heard_late(pieces, 0.06)[0] == []
    # What came before such a pause may be a frame of its own, and a broken one.
    assert heard_late([b"\x11\x05", request_], 0.04)[0] == [request_]
    assert heard_late([b"\x55" * 250, request_], 0.04)[0] == [request_]
    assert heard_late([b"\x11\x05" + request_], 0.04) == ([], 1)


def test_silence_is_that_of_the_guide():
    # Guide V1.02, 2.5.1.1: 3.5 characters of 11 bits, 1.750 ms above 19200 Bd.
    assert silence(9600) == pytest.approx(4.01e-3, rel=1e-3)
    assert silence(19200) == pytest.approx(2.005e-3, rel=1e-3)
    assert silence(115200) == 1.75e-3


PARTS = st.lists(st.tuples(st.binary(max_size=40), st.floats(0, 5e-3)), max_size=20)


@given(PARTS, st.sampled_from(REQUESTS), st.sampled_from([0.0, 3e-3]))
def test_whatever_comes_only_whole_frames_are_requests_and_the_next_one_is_heard(parts, last, late):
    ear, now = Ear(SILENCE, late), 0.0
    for data, pause in parts:
        now += pause
        for request in ear.hear(data, now) + ear.fall_silent(now):
            assert with_crc(request[:-2]) == request
            assert 4 <= len(request) <= 256
    assert ear.hear(last, now + 1.0)[-1] == last


@given(st.binary(max_size=300))
def test_whatever_comes_is_answered_as_the_specification_allows_or_not_at_all(data):
    got = asyncio.run(answer(data, filled()))
    assert got is None or with_crc(data[:-2]) == data


@given(st.integers(0, 255), st.binary(max_size=40))
def test_whatever_is_asked_correctly_is_answered_within_the_rules(function, data):
    request = with_crc(bytes((17, function)) + data)
    got = asyncio.run(answer(request, filled()))
    if function & 0x80:
        assert got is None  # a reply of somebody else
        return
    assert got is not None
    assert with_crc(got[:-2]) == got
    assert got[0] == 17
    assert len(got) <= 256
    if got[1] != function:
        assert got[1] == function | 0x80
        assert len(got) == 5
        assert got[2] in (1, 2, 3)


@pytest.mark.parametrize("request_", REQUESTS, ids=lambda r: r.hex())
def test_a_request_with_any_bit_flipped_is_not_answered(request_):
    tables = filled()
    before = filled()
    for at in range(len(request_)):
        for bit in range(8):
            broken = bytearray(request_)
            broken[at] ^= 1 << bit
            assert asyncio.run(answer(bytes(broken), tables)) is None
            assert heard([bytes(broken)]) == []
    assert tables == before


REFUSED = {
    "unknown function": ("07", 1),
    "no coils asked for": ("01 00 00 00 00", 3),
    "more coils than 2000": ("01 00 00 07 D1", 3),
    "coils beyond the table": ("01 00 FF 00 02", 2),
    "more registers than 125": ("03 00 00 00 7E", 3),
    "registers beyond the table": ("04 00 FF 00 02", 2),
    "addresses beyond 65535": ("03 FF FF 00 02", 2),
    "request too short": ("03 00 6B 00", 3),
    "request too long": ("03 00 6B 00 03 00", 3),
    "coil neither on nor off": ("05 00 00 12 34", 3),
    "coil beyond the table": ("05 01 00 FF 00", 2),
    "register beyond the table": ("06 01 00 00 01", 2),
    "value that is not taken": ("06 00 00 DE AD", 3),
    "no coils to write": ("0F 00 00 00 00 00", 3),
    "too many coils to write": ("0F 00 00 07 B1 01 00", 3),
    "bytes that are not as many as told": ("0F 00 00 00 0A 02 CD", 3),
    "bytes that the count does not need": ("0F 00 00 00 08 02 CD 01", 3),
    "coils to write beyond the table": ("0F 00 FF 00 02 01 03", 2),
    "no registers to write": ("10 00 00 00 00 00", 3),
    "registers to write beyond the table": ("10 00 FF 00 02 04 00 0A 01 02", 2),
    "registers without their bytes": ("10 00 00 00 02 02 00 0A", 3),
    "another diagnosis": ("08 00 01 00 00", 1),
    "diagnosis without sub-function": ("08 00", 3),
    "another interface": ("2B 0D 01 00", 1),
    "unknown way to identify": ("2B 0E 05 00", 3),
    "unknown object by itself": ("2B 0E 04 03", 2),
}


@pytest.mark.parametrize(("question", "code"), REFUSED.values(), ids=REFUSED)
def test_what_cannot_be_done_is_refused_and_changes_nothing(question, code):
    tables = filled()
    assert ask(tables, question) == f"{int(question[:2], 16) | 0x80:02X} {code:02X}"
    assert tables == filled()


def test_the_longest_reads_and_writes_are_allowed():
    tables = Tables(coils=[True] * 2000, holding=[0xABCD] * 125)
    assert ask(tables, "01 00 00 07 D0") == as_hex("01 FA" + "FF" * 250)
    assert ask(tables, "03 00 00 00 7D") == as_hex("03 FA" + "ABCD" * 125)
    assert ask(tables, "0F 00 00 07 B0 F6" + "00" * 246) == as_hex("0F 00 00 07 B0")
    assert tables.coils == [False] * 1968 + [True] * 32
    assert ask(tables, "10 00 00 00 7B F6" + "1234" * 123) == as_hex("10 00 00 00 7B")
    assert tables.holding == [0x1234] * 123 + [0xABCD] * 2


def test_what_is_written_is_there():
    tables = filled()
    for question in ("05 00 AC FF 00", "06 00 01 00 03", "0F 00 13 00 0A 02 CD 01"):
        ask(tables, question)
    assert tables.coils[0xAC]
    assert tables.holding[1] == 3
    assert ask(tables, "01 00 13 00 0A") == as_hex("01 02 CD 01")
    ask(tables, "10 00 01 00 02 04 00 0A 01 02")
    assert tables.holding[1:3] == [0x000A, 0x0102]


def test_the_identification_is_read_as_a_stream_or_object_by_object():
    tables = filled()
    code = b"Product code XX".hex()
    assert ask(tables, "2B 0E 04 01") == as_hex("2B 0E 04 81 00 00 01 01 0F" + code)
    tail = "01 0F" + code + "02 05" + b"V2.11".hex()
    assert ask(tables, "2B 0E 01 01") == as_hex("2B 0E 01 81 00 00 02" + tail)
    # 6.21: a stream that begins at an unknown object begins at the first one.
    assert ask(tables, "2B 0E 02 77") == as_hex(IDENTITY.replace("2B 0E 01", "2B 0E 02"))


def test_other_addresses_are_not_answered_and_do_nothing():
    tables = filled()
    for address in (1, 16, 18, 247, 255):
        assert ask(tables, "05 00 AC FF 00", address) is None
    assert not tables.coils[0xAC]


def test_what_is_told_to_all_is_done_and_not_answered():
    tables = filled()
    assert ask(tables, "05 00 AC FF 00", 0) is None
    assert ask(tables, "06 00 01 00 03", 0) is None
    assert ask(tables, "03 00 6B 00 03", 0) is None
    assert ask(tables, "06 01 00 00 01", 0) is None  # beyond the table: nobody complains
    assert tables.coils[0xAC]
    assert tables.holding[1] == 3
