"""Frames of Modbus RTU as bytes: worked examples, the check, and what is cut out of a stream.

The PDUs are the worked examples of section 6 of the "MODBUS Application Protocol Specification
V1.1b3"; the CRC is the example of the "MODBUS over Serial Line Specification and Implementation
Guide V1.02", section 6.2.2 (address 2, function 7). Both are written down from memory.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from drivers import modbus
from drivers.modbus import Frame, Question, cut
from tests.drivers.modbus_peer import crc, hexed, with_crc

ASKED = {
    "01 read coils 20-38": (modbus.read("coil", 19, 19), "01 00 13 00 13", "01 03 CD 6B 05"),
    "02 read discrete inputs 197-218": (
        modbus.read("discrete", 196, 22),
        "02 00 C4 00 16",
        "02 03 AC DB 35",
    ),
    "03 read holding registers 108-110": (
        modbus.read("holding", 107, 3),
        "03 00 6B 00 03",
        "03 06 02 2B 00 00 00 64",
    ),
    "04 read input register 9": (modbus.read("input", 8, 1), "04 00 08 00 01", "04 02 00 0A"),
    "05 write coil 173 on": (modbus.write_bit(172, True), "05 00 AC FF 00", "05 00 AC FF 00"),
    "06 write register 2": (modbus.write_register(1, 3), "06 00 01 00 03", "06 00 01 00 03"),
    "08 return query data": (modbus.echo(0xA537), "08 00 00 A5 37", "08 00 00 A5 37"),
    "15 write coils 20-29": (
        modbus.write_bits(19, [c == "1" for c in "1011001110"]),
        "0F 00 13 00 0A 02 CD 01",
        "0F 00 13 00 0A",
    ),
    "16 write registers 2-3": (
        modbus.write_registers(1, (0x000A, 0x0102)),
        "10 00 01 00 02 04 00 0A 01 02",
        "10 00 01 00 02",
    ),
}
PRODUCT = "2B 0E 04 81 00 00 01 01 0F" + b"Product code XX".hex(" ")


@pytest.mark.parametrize("name", ASKED)
def test_questions_are_the_worked_examples(name: str) -> None:
    question, asked, _ = ASKED[name]
    assert question.pdu == hexed(asked)


@pytest.mark.parametrize("name", ASKED)
def test_the_worked_replies_fit_their_questions_alone(name: str) -> None:
    question, _, reply = ASKED[name]
    assert question.fits(hexed(reply))
    assert not question.refused_by(hexed(reply))
    for other, (_, _, said) in ASKED.items():
        assert other == name or not question.fits(hexed(said))


def test_worked_replies_say_what_the_specification_says() -> None:
    coils = modbus.bits(hexed("01 03 CD 6B 05"), 19)
    # Coils 27-20, 35-28 and 38-36, each row with the highest first.
    assert "".join(str(int(c)) for c in reversed(coils[:8])) == "11001101"
    assert "".join(str(int(c)) for c in reversed(coils[8:16])) == "01101011"
    assert "".join(str(int(c)) for c in reversed(coils[16:])) == "101"
    inputs = modbus.bits(hexed("02 03 AC DB 35"), 22)
    assert "".join(str(int(c)) for c in reversed(inputs)) == "1101011101101110101100"
    assert modbus.registers(hexed("03 06 02 2B 00 00 00 64")) == (555, 0, 100)
    assert modbus.registers(hexed("04 02 00 0A")) == (10,)


def test_a_function_that_a_device_has_not_is_refused_in_words() -> None:
    # Section 7: the function code with its highest bit set, then the exception code.
    question = modbus.read("coil", 0x04A1, 1)
    assert question.pdu == hexed("01 04 A1 00 01")
    assert question.refused_by(hexed("81 02"))
    assert not question.refused_by(hexed("82 02"))
    assert modbus.refusal(hexed("81 02")) == "illegal data address (2)"
    assert modbus.refusal(hexed("81 63")) == "unknown exception (99)"


def test_one_coil_or_register_is_written_by_the_function_for_several_too() -> None:
    # Sections 6.11 and 6.12, with one output and one register.
    assert modbus.write_bit(172, True, several=True).pdu == hexed("0F 00 AC 00 01 01 01")
    assert modbus.write_register(1, 3, several=True).pdu == hexed("10 00 01 00 01 02 00 03")


def test_a_device_tells_its_product_by_object_1() -> None:
    # Section 6.21, individual access (read device id code 4); the text is the specification's.
    question = modbus.identify(1)
    assert question.pdu == hexed("2B 0E 04 01")
    reply = hexed(PRODUCT)
    assert question.fits(reply)
    assert modbus.identified(reply, 1) == "Product code XX"
    assert modbus.identified(reply, 2) == ""


def test_the_check_is_that_of_the_serial_line_guide() -> None:
    assert modbus.crc16(hexed("02 07")) == 0x1241
    assert modbus.frame(2, hexed("07")) == hexed("02 07 41 12")


@given(st.binary(min_size=1, max_size=254))
def test_the_check_agrees_with_two_others(data: bytes) -> None:
    ours = modbus.crc16(data).to_bytes(2, "little")
    assert ours == crc(data)  # the guide's own procedure, bit by bit
    assert ours == FramerRTU.compute_CRC(data).to_bytes(2, "big")  # pymodbus 3.16 swaps its bytes


@pytest.mark.parametrize(
    "question",
    [modbus.read("coil", 0, 2000), modbus.read("input", 65411, 125)],
    ids=["most bits", "most registers"],
)
def test_the_largest_questions_can_be_asked(question: Question) -> None:
    assert question.length <= 253  # a PDU, section 4.1


@pytest.mark.parametrize(
    ("table", "at", "count"),
    [("coil", 0, 2001), ("input", 0, 126), ("input", 0, 0), ("holding", 65536, 1)],
)
def test_what_cannot_be_asked_is_refused(table: str, at: int, count: int) -> None:
    with pytest.raises(ValueError, match="<="):
        modbus.read(table, at, count)


WHOLE = {
    **{name: with_crc(b"\x11" + hexed(reply)) for name, (_, _, reply) in ASKED.items()},
    "exception": with_crc(hexed("11 84 02")),
    "identification": with_crc(b"\x11" + hexed(PRODUCT)),
}


@pytest.mark.parametrize("name", WHOLE)
def test_a_reply_is_cut_whole_and_byte_by_byte(name: str) -> None:
    data = WHOLE[name]
    found = Frame(0x11, data[1:-2])
    assert cut(data).frames == (found,)
    for end in range(1, len(data)):
        assert cut(data[:end]) == modbus.Cut((), 0, data[:end]), end


@pytest.mark.parametrize("name", WHOLE)
@pytest.mark.parametrize(
    "noise",
    [
        "00",
        "11 03 FA 00",
        *(
            pytest.param(n, marks=pytest.mark.nights)
            for n in ("FF FF FF", "11 04", "81 83", "11 84 02 00 00")
        ),
    ],
)
def test_garbage_before_and_behind_a_reply_costs_only_itself(name: str, noise: str) -> None:
    data, garbage = WHOLE[name], hexed(noise)
    got = cut(garbage + data + garbage, final=True)
    assert got.frames == (Frame(0x11, data[1:-2]),)
    assert got.garbage == 2 * len(garbage)
    assert got.rest == b""


@pytest.mark.parametrize("name", WHOLE)
def test_a_reply_with_a_bit_changed_is_no_reply(name: str) -> None:
    data = WHOLE[name]
    for bit in range(8 * len(data)):
        broken = bytearray(data)
        broken[bit // 8] ^= 1 << bit % 8
        frames = cut(bytes(broken), final=True).frames
        assert frames == (), bit


def test_replies_one_behind_the_other_are_both_cut() -> None:
    both = WHOLE["exception"] + WHOLE["04 read input register 9"]
    assert [frame.pdu[0] for frame in cut(both).frames] == [0x84, 4]


@given(st.binary(max_size=300), st.sampled_from(sorted(WHOLE)), st.binary(max_size=300))
def test_whatever_lies_around_a_reply_nothing_is_lost_or_counted_twice(
    before: bytes, name: str, behind: bytes
) -> None:
    data = before + WHOLE[name] + behind
    now, last = cut(data), cut(data, final=True)
    for got in (now, last):
        inside = sum(len(frame.pdu) + 3 for frame in got.frames)
        assert inside + got.garbage + len(got.rest) == len(data)
    assert last.rest == b""
    assert Frame(0x11, WHOLE[name][1:-2]) in last.frames
