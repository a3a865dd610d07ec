"""Text commands in the form of IEEE 488.2 and SCPI-1999: syntax, headers, data.

Numbers of errors are those of SCPI-1999 volume 2, chapter 21, as reprinted in the manuals of many
instruments; sections of IEEE 488.2-1992 and SCPI-1999 are named from memory.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulators.wire.scpi import Number, Other, Text, Unit, Word, units
from tests.simulators.wire.source import Source, errors


def told(line: str) -> list[tuple[object, ...]]:
    """Return what a device was told by a message, which it must have understood."""
    source = Source()
    session = source.session()
    session.obey(line)
    assert session.status.next_error() == '0,"No error"'
    return source.told


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
