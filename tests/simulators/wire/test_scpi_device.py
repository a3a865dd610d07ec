"""A device that obeys text lines: its errors, its registers, and bytes that come anyhow.

Numbers and words of errors are those of SCPI-1999 volume 2, chapter 21, as reprinted in the
manuals of many instruments; sections of IEEE 488.2-1992 and SCPI-1999 are named from memory.
"""

from __future__ import annotations

import asyncio
import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.clock import VirtualClock, VirtualLoop
from simulators.wire.scpi import ERRORS, Fault
from simulators.wire.scpi_device import LINE_MOST, TextDevice
from simulators.wire.scpi_status import QUEUE_MOST
from tests.simulators.wire.source import Source, errors


def test_errors_have_the_words_of_the_standard() -> None:
    # SCPI-1999 vol. 2, 21.8.2 to 21.8.11, as reprinted in instruments' manuals.
    published = {
        0: "No error",
        -101: "Invalid character",
        -102: "Syntax error",
        -104: "Data type error",
        -108: "Parameter not allowed",
        -109: "Missing parameter",
        -113: "Undefined header",
        -200: "Execution error",
        -221: "Settings conflict",
        -222: "Data out of range",
        -224: "Illegal parameter value",
        -350: "Queue overflow",
        -363: "Input buffer overrun",
        -410: "Query INTERRUPTED",
        -420: "Query UNTERMINATED",
    }
    assert {number: ERRORS[number] for number in published} == published


def test_an_error_is_answered_with_the_device_s_own_words_behind_those_of_the_standard() -> None:
    session = Source().session()
    session.obey("FAIL")
    assert session.obey(":SYSTem:ERRor:NEXT?") == "-221,\"Settings conflict;cannot 'now'\""


@given(st.text(max_size=400), st.sampled_from(sorted(ERRORS)))
def test_an_answer_to_an_error_query_is_always_one_line_of_one_number_and_one_string(
    info: str, number: int
) -> None:
    # At most 255 characters between the quotes (SCPI-1999 vol. 2, 21.8.1).
    assert re.fullmatch(rf'{number},"[ !#-~]{{1,255}}"', str(Fault(number, info)))


def test_errors_are_read_first_in_first_out() -> None:
    assert errors("NO:SUCH", "FREQ:STAR", "FAIL", "FREQ:STAR 1,2") == [-113, -109, -221, -108]


@given(st.lists(st.sampled_from([("X", -113), ("FAIL", -221), ("*ESE", -109)]), max_size=40))
def test_a_full_queue_keeps_the_oldest_errors_and_says_at_its_end_that_some_are_lost(
    made: list[tuple[str, int]],
) -> None:
    # "The last error in the queue is replaced with -350" (SCPI-1999 vol. 2, 21.8.1).
    numbers = [number for _, number in made]
    expected = numbers if len(made) <= QUEUE_MOST else [*numbers[: QUEUE_MOST - 1], -350]
    assert errors(*(line for line, _ in made)) == expected


@pytest.mark.parametrize("made", [QUEUE_MOST - 1, QUEUE_MOST, QUEUE_MOST + 1, 3 * QUEUE_MOST])
def test_the_queue_has_room_for_as_many_errors_as_it_says(made: int) -> None:
    kept = min(made, QUEUE_MOST)
    numbers = errors("FAIL", *["X"] * (made - 1))
    assert numbers == [-221, *[-113] * (kept - 2), -113 if made == kept else -350]


def test_after_a_unit_that_cannot_be_read_the_message_commands_nothing_more() -> None:
    source = Source()
    session = source.session()
    answer = session.obey("FREQ:STAR 1;STPO 2;STOP 3;:POW:STAR 0;POW:STAR?;:SYST:ERR?;*IDN?")
    assert source.told == [("FREQuency:STARt", 1.0)]
    assert answer == '-113,"Undefined header;FREQ:STPO";makers,model,1,1'
    assert session.obey("SYST:ERR:COUN?") == "0"
    assert session.obey("FREQ:STAR 2") == ""
    assert source.told[-1] == ("FREQuency:STARt", 2.0)


def test_after_a_command_that_cannot_be_obeyed_the_message_goes_on() -> None:
    source = Source()
    session = source.session()
    assert session.obey("FAIL;:ABOR;:SYST:ERR:COUN?") == "1"
    assert source.told == [("ABORt",)]


def test_answers_of_a_message_stand_in_one_line() -> None:
    # Joined by semicolons (IEEE 488.2, 8.4.1).
    session = Source().session()
    assert session.obey("FREQ:STAR?;STOP?;*OPC?;:SYST:VERS?") == (
        "FREQuency:STARt;FREQuency:STOP;1;1999.0"
    )
    assert session.obey("") == ""
    assert session.obey("ABOR") == ""


@pytest.mark.parametrize(
    ("line", "bit"),
    [("X", 32), ("FAIL", 16), ("*OPC", 1)],
)
def test_events_set_their_bits_until_they_are_read(line: str, bit: int) -> None:
    # Bits of the standard event register: IEEE 488.2, 11.5.1.1.
    session = Source().session()
    assert session.obey("*ESR?") == "128"  # power on
    session.obey(line)
    assert session.obey("*ESR?;*ESR?") == f"{bit};0"


def test_the_status_byte_sums_up_what_the_masks_let_through() -> None:
    # Bit 2 error queue, 5 event summary, 6 master summary: IEEE 488.2, 11.2; SCPI-1999 vol. 1, 9.
    session = Source().session()
    session.obey("*CLS;*ESE 32;*SRE 36")
    assert session.obey("*ESE?;*SRE?;*STB?") == "32;36;0"
    session.obey("X")
    assert session.obey("*STB?") == str(4 + 32 + 64)
    session.obey("*CLS")
    assert session.obey("*STB?") == "0"
    session.obey("*SRE 255")
    assert session.obey("*SRE?") == "191"  # bit 6 cannot be set (IEEE 488.2, 10.34)


def test_what_every_device_must_answer_is_answered() -> None:
    # Mandatory: IEEE 488.2, 4.9, and SCPI-1999 vol. 1, 4.2.1.
    source = Source()
    session = source.session()
    session.obey("STAT:OPER:ENAB 3;:STAT:QUES:ENAB 5;*WAI")
    assert session.obey("STAT:OPER:ENAB?;:STAT:QUES:ENAB?") == "3;5"
    session.obey("STATus:PRESet;*RST")
    asked = "STAT:OPER?;:STAT:OPER:EVEN?;COND?;ENAB?;:STAT:QUES?;:STAT:QUES:COND?;ENAB?;*TST?"
    assert session.obey(asked) == ";".join("0" * 8)
    assert source.resets == 1
    assert session.obey("SYST:ERR:COUN?") == "0"


@given(st.lists(st.binary(max_size=80), max_size=5))
def test_no_bytes_make_the_device_fail_or_answer_what_was_not_asked(garbage: list[bytes]) -> None:
    session = Source().session()
    for line in garbage:
        answer = session.obey(line.replace(b"\n", b"").decode("latin-1"))
        assert answer == "" or b"?" in line
        assert answer.isascii()
        assert "\n" not in answer
    assert len(session.status.errors) <= QUEUE_MOST
    # Whatever came before, what is asked rightly is answered rightly.
    assert session.obey("*IDN?") == "makers,model,1,1"
    session.obey("*CLS")
    assert session.obey("SYST:ERR?") == '0,"No error"'


VALID = ["*IDN?", "FREQ:STAR 5", "FREQ:STAR?;STOP?", "NO:SUCH", "FAIL", "SYST:ERR?", "*ESR?"]


@given(
    st.lists(st.sampled_from(VALID), max_size=6),
    st.integers(1, 40),
    st.sampled_from((b"\n", b"\r\n")),
)
def test_answers_do_not_depend_on_how_the_bytes_arrive(
    lines: list[str], piece: int, end: bytes
) -> None:
    data = b"".join(line.encode() + end for line in lines)
    alone = Source().session()
    expected = [answer for line in lines if (answer := alone.obey(line))]
    answers = sent_by(data, piece)
    assert answers == "".join(answer + "\n" for answer in expected).encode()
    # Garbage ended by a line feed takes nothing with it.
    with_garbage = sent_by(b"\xff\x00';FREQ:\n*CLS;*ESR?\n" + data, piece)
    first, _, rest = with_garbage.partition(b"\n")
    assert math.isfinite(int(first))
    fresh = Source().session()
    fresh.obey("*ESR?")
    expected = [answer for line in lines if (answer := fresh.obey(line))]
    assert rest == "".join(answer + "\n" for answer in expected).encode()


def sent_by(data: bytes, piece: int) -> bytes:
    """Return what a device sends when bytes arrive in pieces, in virtual time."""
    sent: list[bytes] = []

    async def run() -> None:
        device = TextDevice(Source().session(), sent.append, 2e-3)
        for at in range(0, len(data), piece):
            device.take(data[at : at + piece])
        await asyncio.sleep(1.0)

    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        runner.run(run())
    return b"".join(sent)


@pytest.mark.virtual
async def test_each_message_is_answered_after_its_own_turn_round() -> None:
    answered: list[tuple[float, bytes]] = []
    clock = VirtualClock()
    device = TextDevice(Source().session(), lambda data: answered.append((clock.now(), data)), 2e-3)
    device.take(b"*OPC?\n*ESE 7;*ESE?\n*ES")
    await asyncio.sleep(1e-3)
    device.take(b"R?\n")
    await asyncio.sleep(1.0)
    assert [data for _, data in answered] == [b"1\n", b"7\n", b"128\n"]
    assert [when for when, _ in answered] == pytest.approx([2e-3, 2e-3, 3e-3])


def test_a_message_that_is_too_long_is_thrown_away_whole() -> None:
    long = b"FREQ:STAR 5;" * 200 + b"\n"
    assert len(long) > LINE_MOST
    for piece in (1, 7, 5000):
        assert sent_by(long + b"SYST:ERR?\n*IDN?\n", piece).startswith(
            b'-363,"Input buffer overrun'
        )
        assert sent_by(long + b"SYST:ERR?\n*IDN?\n", piece).endswith(b"\nmakers,model,1,1\n")
