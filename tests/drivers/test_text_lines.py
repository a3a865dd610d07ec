"""Bytes into lines, and lines into fields and numbers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.answers import fields, number, unquoted
from drivers.answers import whole as whole_number
from drivers.text_lines import LONGEST, LineSplitter
from tests.drivers.text_links import ANSWERS, NOISE


@pytest.mark.parametrize(("sent", "text"), ANSWERS.values(), ids=ANSWERS.keys())
def test_a_line_is_split_whole_and_byte_by_byte_and_after_garbage(sent: bytes, text: str) -> None:
    splitter = LineSplitter()
    assert [h.text for h in splitter.feed(sent, 1.0)] == [text]
    heard = [h for i, b in enumerate(sent) for h in splitter.feed(bytes([b]), 2.0 + i)]
    assert [h.text for h in heard] == [text]
    assert heard[0].begun < heard[0].ended or len(text) == 1
    around = splitter.feed(NOISE + b"\n" + sent + NOISE + sent, 100.0)
    assert [h.text for h in around] == [None, text, None]
    assert not splitter.partial


def test_a_line_knows_when_it_began_and_when_it_ended() -> None:
    splitter = LineSplitter()
    assert splitter.feed(b"12", 1.0) == []
    assert (splitter.partial, splitter.begun) == (True, 1.0)
    (line,) = splitter.feed(b"3\n", 4.0)
    assert (line.text, line.begun, line.ended) == ("123", 1.0, 4.0)


def test_what_began_before_the_question_is_no_part_of_its_answer() -> None:
    splitter = LineSplitter()
    splitter.feed(b"12", 1.0)
    (line,) = splitter.feed(b"17\n", 3.0, 2.0)
    assert (line.text, line.begun) == ("17", 3.0)
    assert splitter.cut == 1


def test_a_line_that_does_not_end_is_garbled_and_the_next_is_good() -> None:
    splitter = LineSplitter()
    for at in range(100):
        assert splitter.feed(b"x" * LONGEST, float(at)) == []
    heard = splitter.feed(b"\n7\n", 200.0)
    assert [h.text for h in heard] == [None, "7"]


@given(st.binary(max_size=60), st.lists(st.integers(1, 7), max_size=30))
def test_how_bytes_are_cut_changes_no_line(data: bytes, cuts: list[int]) -> None:
    at_once = [h.text for h in LineSplitter().feed(data + b"\n", 0.0)]
    splitter, rest, found = LineSplitter(), data + b"\n", []
    for cut in (*cuts, len(rest)):
        found += [h.text for h in splitter.feed(rest[:cut], 0.0)]
        rest = rest[cut:]
    assert found == at_once


NUMBERS: dict[str, float] = {
    # NR1, NR2, NR3 of IEEE 488.2, 8.7.2 to 8.7.4, and forms a forgiving listener takes.
    "0": 0.0,
    "+17": 17.0,
    "-3": -3.0,
    "12.345": 12.345,
    "-0.5": -0.5,
    "1.5E+02": 150.0,
    "-1.5e-3": -0.0015,
    ".5": 0.5,
    "5.": 5.0,
}
NO_NUMBERS = [
    "",
    "+",
    ".",
    "1e",
    "1_0",
    "nan",
    "inf",
    "0x10",
    "1,5",
    "1 2",
    "٣",
    "9.91E37",
    "-9.9E37",
]


@pytest.mark.parametrize(("text", "value"), NUMBERS.items(), ids=NUMBERS.keys())
def test_numbers_in_every_form_of_the_standard(text: str, value: float) -> None:
    assert number(text) == value


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_is_no_number(text: str) -> None:
    # SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 is infinity, 9.91E37 is not a number.
    with pytest.raises(ValueError, match=r"is no number|stands for no value"):
        number(text)


def test_whole_numbers_however_they_are_written() -> None:
    assert [whole_number(t) for t in ("7", "7.0", "+7.000E+00", "0.7E1")] == [7, 7, 7, 7]
    with pytest.raises(ValueError, match="no whole number"):
        whole_number("7.5")


FIELDS: dict[str, tuple[str, ...]] = {
    "1,2,3": ("1", "2", "3"),
    "1;2,3": ("1", "2", "3"),
    " 1 , 2 ": ("1", "2"),
    '-222,"Data out of range;a,b"': ("-222", '"Data out of range;a,b"'),
    '"say ""no"", please",1': ('"say ""no"", please"', "1"),
    "": ("",),
    "1,,": ("1", "", ""),
}


@pytest.mark.parametrize(("text", "parts"), FIELDS.items(), ids=FIELDS.keys())
def test_fields_of_an_answer(text: str, parts: tuple[str, ...]) -> None:
    assert fields(text) == parts


def test_quotes() -> None:
    assert unquoted('"say ""no"", please"') == 'say "no", please'
    assert unquoted("plain") == "plain"
    assert unquoted('"') == '"'
    with pytest.raises(ValueError, match="a quote is not closed"):
        fields('1,"open')
