"""Files that are no TOML, or no text, are refused in words, at the line where the slip is."""

from __future__ import annotations

import errno

import pytest

from rig.errors import InputError, Problem
from rig.protocol.load import load_rig
from tests.protocol.texts import WET, WHOLE, problems_of

SLIPS = [
    ('a = 1\ntitle "P"', 2, 'there is no "="'),
    ('title: "P"', 1, '":" stands where "=" belongs'),
    ('f = "4 Hz\ng = 1', 1, "a quote is opened and not closed"),
    ("f = '4 Hz", 1, "a quote is opened and not closed"),
    ('f = """4 Hz\n\n', 1, "a quote is opened and not closed"),
    ('f = "P"-12"', 1, "a quote is missing or one too many"),
    ('f = ["-2 kN, "97 kN"]', 1, "a quote is missing or one too many"),
    ("f = “4 Hz”", 1, "“ is no plain quote"),
    ("f = 4 Hz  # fast", 1, "4 Hz is not in quotes"),
    ("exposure = spray", 1, "spray is not in quotes"),
    ("w = [08:00, 17:00]", 1, "a value in brackets is not in quotes"),
    ('w = ["08:00" "17:00"]', 1, "a comma is missing"),
    ("w = { a = 1 b = 2 }", 1, "a comma is missing"),
    ('load = ["-2 kN", "97 kN"\ndeflection = ["1 mm", "2 mm"]', 1, '"[" is opened and not closed'),
    ('a = 1\nw = { a = "1"\nb = 2', 2, '"{" is opened and not closed'),
    ("[limits\na = 1", 1, "the name of a table is not closed"),
    ("[[stage]\na = 1", 1, "the name of a table is not closed"),
    ("[limits] load", 1, "a table's name is not alone in its line"),
    ("[a]\nb = 1\nb = 2", 3, '"b" is there twice'),
    ("[a]\nb = 1\n[a]\nc = 1", 3, "[a] is there twice"),
    ("[stage]\nb = 1\n[stage]\nc = 1", 3, "[stage] is there twice"),
    ("w = { a = 1, a = 2 }", 1, '"a" is there twice'),
    ('f = "C:\\data"', 1, "a backslash stands in quotes"),
    ("f = True", 1, "True is no value here"),
    ("f =", 1, 'nothing stands after "="'),
    ("= 4", 1, 'nothing stands before "="'),
    ('f = "P" 4', 1, "something stands behind the value"),
    ("a = 1\nf\x00 = 4", 2, "character 2 is one that no line can show"),
]


def told(text: str) -> Problem:
    with pytest.raises(InputError) as caught:
        load_rig("frame.toml", lambda _: text)
    (problem,) = caught.value.problems
    return problem


@pytest.mark.parametrize(("text", "line", "said"), SLIPS, ids=[said for _, _, said in SLIPS])
def test_a_slip_of_the_pen_is_named_at_its_line(text, line, said):
    problem = told(text)
    assert (problem.line, problem.problem.startswith(said)) == (line, True), str(problem)
    assert str(problem).isprintable()


def test_a_list_of_tables_with_one_entry_in_single_brackets_is_told_of_two():
    head, stage, *_ = WHOLE.split("[[stage]]")
    found = problems_of({WET: f"{head}[stage]{stage}"})
    said = [str(p) for p in found if p.field == "stage"]
    line = head.count("\n") + 1
    assert said == [
        f"{WET}:{line}: stage: [stage] is no list; write [[stage]] with two brackets: stages are a "
        "list"
    ]
    assert "write [[stage]]" in told("[stage]\nb = 1\n[stage]\nc = 1").remedy


def cause(error: Exception) -> str:
    def read(path: str) -> str:
        raise error

    with pytest.raises(InputError) as caught:
        load_rig("frame.toml", read)
    return str(caught.value)


def undecodable(raw: bytes) -> str:
    with pytest.raises(UnicodeDecodeError) as caught:
        raw.decode("utf-8-sig")
    return cause(caught.value)


def test_a_file_that_is_no_text_in_utf_8_is_told_apart():
    assert "saved as UTF-16" in undecodable('name = "P"'.encode("utf-16"))
    assert "no text file" in undecodable(b"\x89PNG\r\n\x1a\n\0\0")
    assert "line 2 holds a character" in undecodable("a = 1\nb = 'µ'\n".encode("latin-1"))


def test_what_the_system_says_of_a_file_comes_in_words():
    assert "you have no right to read it; " in cause(PermissionError(errno.EACCES, "denied"))
    assert "it is a folder; name a file in it" in cause(IsADirectoryError(errno.EISDIR, "x"))
    assert "the name is too long" in cause(OSError(errno.ENAMETOOLONG, "x"))
    assert "input/output error; look at the disk" in cause(OSError(errno.EIO, "Input/output error"))
    for number in (errno.EACCES, errno.EISDIR, errno.EIO):
        assert "Errno" not in cause(OSError(number, "words"))


def test_a_note_on_a_missing_file_is_what_is_advised():
    error = FileNotFoundError("frame.toml")
    error.add_note('did you mean "frames.toml"?')
    assert cause(error) == (
        'frame.toml: cannot read "frame.toml": no such file; did you mean "frames.toml"?'
    )
