"""Text commands in the form of IEEE 488.2 and SCPI-1999: syntax, headers, data, error queue.

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
from simulators.wire.scpi import ERRORS, Fault, Number, Other, Text, Unit, Word, units
from simulators.wire.scpi_device import LINE_MOST, Session, TextDevice
from simulators.wire.scpi_status import QUEUE_MOST
from simulators.wire.scpi_tree import Choice, Command, Quantity

HERTZ = Quantity({"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6}, 0.0, 1e9)


class Source:
    """A device with a few commands, that remembers what it was told."""

    def __init__(self) -> None:
        self.told: list[tuple[object, ...]] = []
        self.resets = 0

    def session(self) -> Session:
        return Session(
            "makers,model,1,1",
            [
                *(
                    command
                    for name in ("STARt", "STOP", "CENTer[:FIXed]")
                    for command in self._setting(f"FREQuency:{name}", HERTZ)
                ),
                *self._setting("POWer:STARt", Quantity({"DBM": 1.0})),
                *self._setting("TRIGger:COUNt", Quantity({}, 1, 100, whole=True)),
                *self._setting("OUTPut[:STATe]", Choice(("ON", "OFF"), Quantity({}, 0, 1))),
                Command("TRIGger:MODE", self._two, (Choice(("SINGle", "CONTinuous")), HERTZ)),
                Command("ABORt", lambda: self.told.append(("ABORt",))),
                Command("FAIL", self._fail),
            ],
            self._reset,
        )

    def _setting(self, header: str, parameter: Quantity | Choice) -> list[Command]:
        name = header.split("[")[0]
        return [
            Command(header, lambda value: self.told.append((name, value)), (parameter,)),
            Command(f"{header}?", lambda: name),
        ]

    def _two(self, *values: object) -> None:
        self.told.append(values)

    def _reset(self) -> None:
        self.resets += 1

    def _fail(self) -> None:
        raise Fault(-221, 'cannot "now"')


def told(line: str) -> list[tuple[object, ...]]:
    """Return what a device was told by a message, which it must have understood."""
    source = Source()
    session = source.session()
    session.obey(line)
    assert session.status.next_error() == '0,"No error"'
    return source.told


def errors(*lines: str) -> list[int]:
    """Return the numbers of the errors that messages made, in their order."""
    session = Source().session()
    for line in lines:
        session.obey(line)
    count = int(session.obey("SYST:ERR:COUN?"))
    answers = [session.obey("SYST:ERR?") for _ in range(count)]
    assert session.obey("SYST:ERR?") == '0,"No error"'
    return [int(answer.split(",")[0]) for answer in answers]


@pytest.mark.parametrize(
    "line",
    [
        "FREQuency:STARt 5",
        "FREQ:STAR 5",
        "freq:start 5",
        "Frequency:Star 5",
        ":FREQ:STAR 5",
        "FREQ1:STAR1 5",  # a numeric suffix of 1 is the same as none (SCPI-1999 vol. 1, 6.2.5.2)
        " \t FREQ:STAR \r 5\r",  # white space: all of 0 to 9 and 11 to 32 (IEEE 488.2, 7.4.1.2)
    ],
)
def test_short_and_long_forms_in_any_case_mean_the_same(line: str) -> None:
    # Short or long form, nothing between (SCPI-1999 vol. 1, 6.2.1).
    assert told(line) == [("FREQuency:STARt", 5.0)]


@pytest.mark.parametrize("line", ["FREQU:STAR 5", "FRE:STAR 5", "FREQ:STARTS 5", "FREQSTAR 5"])
def test_what_is_neither_short_nor_long_form_is_undefined(line: str) -> None:
    assert errors(line) == [-113]


@pytest.mark.parametrize("line", ["FREQ:CENT 5", "FREQ:CENT:FIX 5", "FREQUENCY:CENTER:FIXED 5"])
def test_a_node_in_brackets_may_be_left_out(line: str) -> None:
    assert told(line) == [("FREQuency:CENTer", 5.0)]


# The rule of the header path (SCPI-1999 vol. 1, 6.2.4): a unit goes on from where the header
# before it left off; a leading colon and the end of the message go back to the root; common
# commands change nothing. The messages are examples of that section, from memory.


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (
            "FREQuency:STARt 3 MHZ;STOP 5 MHZ",
            [("FREQuency:STARt", 3e6), ("FREQuency:STOP", 5e6)],
        ),
        (
            ":FREQuency:STARt 3 MHZ;:FREQuency:STOP 5 MHZ",
            [("FREQuency:STARt", 3e6), ("FREQuency:STOP", 5e6)],
        ),
        (
            "FREQuency:STARt 3 MHZ;:POWer:STARt 0 DBM",
            [("FREQuency:STARt", 3e6), ("POWer:STARt", 0.0)],
        ),
        (
            "FREQuency:STARt 3 MHZ;*CLS;STOP 5 MHZ",
            [("FREQuency:STARt", 3e6), ("FREQuency:STOP", 5e6)],
        ),
        ("ABORt;FREQ:STOP 1", [("ABORt",), ("FREQuency:STOP", 1.0)]),
        ("OUTP ON;OUTP OFF", [("OUTPut", "ON"), ("OUTPut", "OFF")]),
        (";;FREQ:STOP 1;", [("FREQuency:STOP", 1.0)]),
    ],
)
def test_the_path_of_a_header_goes_on_from_the_one_before_it(
    line: str, expected: list[tuple[object, ...]]
) -> None:
    assert told(line) == expected


@pytest.mark.parametrize(
    "line",
    [
        "FREQuency:STARt 3 MHZ;POWer:STARt 0 DBM",  # below FREQuency there is no POWer
        "FREQuency:STARt 3 MHZ;FREQuency:STOP 5 MHZ",
        "SYST:ERR?;SYST:VERS?",
    ],
)
def test_a_header_that_is_not_below_the_path_is_undefined(line: str) -> None:
    assert errors(line) == [-113]


@pytest.mark.parametrize(
    ("data", "value"),
    [
        # NRf, the flexible form of a number (IEEE 488.2, 7.7.2.4).
        ("5", 5.0),
        ("+5.", 5.0),
        ("-0", 0.0),
        (".5", 0.5),
        ("5.25", 5.25),
        ("5e2", 500.0),
        ("5E+2", 500.0),
        ("5 E 2", 500.0),
        ("500 e-2", 5.0),
        ("5HZ", 5.0),
        ("5 kHz", 5e3),
        ("5 MHZ", 5e6),  # with Hz an M is mega (IEEE 488.2, 7.7.3.3)
        ("0.005e3 khz", 5e3),
        ("000000000000000005", 5.0),
    ],
)
def test_numbers_are_read_in_every_form_that_is_allowed(data: str, value: float) -> None:
    assert told(f"FREQ:STAR {data}") == [("FREQuency:STARt", value)]


@pytest.mark.parametrize(("data", "value"), [("2", 2), ("2.5", 3), ("1.4999", 1), ("99.5", 100)])
def test_a_whole_number_is_rounded(data: str, value: int) -> None:
    # Half is rounded up (IEEE 488.2, 7.7.2.4.2).
    assert told(f"TRIG:COUN {data}") == [("TRIGger:COUNt", value)]


@pytest.mark.parametrize(
    ("line", "number"),
    [
        ("FREQ:STAR 5 \x80", -121),
        ("FREQ:STAR \x80", -101),
        ("\x80FREQ", -101),
        ("FREQ\xb5:STAR 5", -101),
        ("?", -102),
        ("5", -102),
        ("FREQ::STAR 5", -111),
        (":", -102),
        ("* IDN?", -102),
        ("FREQ:STAR 5,", -102),
        ("FREQ:STAR ,5", -102),
        ("FREQ:STAR 5 6", -121),
        ("FREQ:STAR ON", -104),
        ('FREQ:STAR "5"', -104),
        ("FREQ:STAR #HFF", -104),
        ("FREQ:STAR (5)", -104),
        ("FREQ:STAR #15hello", -104),
        ("OUTP 'ON'", -104),
        ("FREQ:STAR", -109),
        ("FREQ:STAR 5,6", -108),
        ("FREQ:STAR? 5", -108),
        ("*CLS 1", -108),
        ("*ESE", -109),
        ("FREQ:STAR,5", -111),
        ("FREQ:STAR5;", -114),
        ("FREQ:STAR=5", -111),
        ("ABCDEFGHIJKLM", -112),
        ("FREQ", -113),
        ("ABOR?", -113),
        ("*XYZ", -113),  # "is not defined for any device": the example of the standard itself
        ("FREQ2:STAR 5", -114),
        ("FREQ:STAR 1.2.3", -121),
        ("FREQ:STAR 1x2", -131),
        ("FREQ:STAR +-1", -121),
        ("FREQ:STAR 1e40000", -123),
        ("FREQ:STAR 1e99999999999999999999", -123),
        ("FREQ:STAR " + "1" * 300, -124),
        ("FREQ:STAR 5 KG", -131),
        ("FREQ:STAR 5 ABCDEFGHIJKLM", -134),
        ("TRIG:COUN 5 HZ", -138),
        ("OUTP ABCDEFGHIJKLM", -144),
        ("OUTP 'ON", -151),
        ('OUTP "O"N"', -151),
        ("FAIL", -221),
        ("FREQ:STAR -1", -222),
        ("FREQ:STAR 1e10", -222),
        ("FREQ:STAR 1e400", -222),
        ("TRIG:COUN 0", -222),
        ("TRIG:COUN 1e400", -222),
        ("*ESE 256", -222),
        ("OUTP 2", -222),
        ("OUTP MAYBE", -224),
    ],
)
def test_what_is_wrong_has_the_number_of_the_standard(line: str, number: int) -> None:
    assert errors(line) == [number]


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


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("'it''s; here, \"yes\"'", Text('it\'s; here, "yes"')),
        ('"a""b"', Text('a"b')),
        ("''", Text("")),
        ("SINusoid", Word("SINUSOID")),
        ("#210abcdefghij", Other()),
        ("-1.5 mm/s", Number(-1.5, "MM/S")),
    ],
)
def test_data_of_every_kind_are_told_apart(text: str, data: object) -> None:
    assert list(units(f"A:B {text};:C")) == [
        Unit(("A", "B"), False, False, (data,)),
        Unit(("C",), True, False, ()),
    ]


MNEMONICS = st.from_regex(r"[A-Za-z][A-Za-z0-9_]{0,11}", fullmatch=True)
SPACES = st.text(st.sampled_from(" \t\r\x00\x0b\x1f"), max_size=3)
NUMBERS = st.floats(-1e30, 1e30).map(lambda x: (repr(x), Number(x)))
WORDS = MNEMONICS.map(lambda w: (w, Word(w.upper())))
STRINGS = st.text(st.characters(exclude_characters="\n", max_codepoint=255), max_size=9).map(
    lambda t: ('"' + t.replace('"', '""') + '"', Text(t))
)


@given(
    st.lists(
        st.tuples(
            st.lists(MNEMONICS, min_size=1, max_size=4),
            st.booleans(),
            st.booleans(),
            st.lists(st.one_of(NUMBERS, WORDS, STRINGS), max_size=3),
        ),
        max_size=4,
    ),
    SPACES,
)
def test_a_message_is_read_back_as_it_was_put_together(
    made: list[tuple[list[str], bool, bool, list[tuple[str, object]]]], space: str
) -> None:
    texts, expected = [], []
    for header, rooted, query, data in made:
        values = f"{space},{space}".join(text for text, _ in data)
        texts.append(f"{':' * rooted}{':'.join(header)}{'?' * query} {space}{values}{space}")
        known = tuple(value for _, value in data)
        expected.append(Unit(tuple(m.upper() for m in header), rooted, query, known))
    assert list(units(f"{space};{space}".join(texts))) == expected


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

    loop = VirtualLoop()
    try:
        loop.run_until_complete(run())
    finally:
        loop.close()
    return b"".join(sent)


def test_each_message_is_answered_after_its_own_turn_round() -> None:
    answered: list[tuple[float, bytes]] = []
    clock = VirtualClock()

    async def run() -> None:
        device = TextDevice(
            Source().session(), lambda data: answered.append((clock.now(), data)), 2e-3
        )
        device.take(b"*OPC?\n*ESE 7;*ESE?\n*ES")
        await asyncio.sleep(1e-3)
        device.take(b"R?\n")
        await asyncio.sleep(1.0)

    loop = VirtualLoop()
    try:
        loop.run_until_complete(run())
    finally:
        loop.close()
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
