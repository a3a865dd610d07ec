"""A sheet of broken files: each names its line, its field and what is wrong, in one line."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.protocol.load import load_rig, load_series, load_specimen
from tests.protocol import sheet_edges, sheet_meaning, sheet_people, sheet_words
from tests.protocol.broken import Broken
from tests.protocol.texts import (
    BY_SERIES,
    PRISM,
    RIG,
    SERIES,
    WET,
    load_edited,
    problems_of,
    shipped,
    shipped_names,
)

SHEET = [*sheet_words.SHEET, *sheet_meaning.SHEET, *sheet_people.SHEET, *sheet_edges.SHEET]


def edited(case: Broken) -> str:
    text = BY_SERIES if case.file == WET else shipped(case.file)
    assert case.old in text
    return text.replace(case.old, case.new, 1)


def line_of(text: str, place: str) -> int:
    """Return the line a place begins in; an empty place is the last line."""
    if not place:
        return text.rstrip().count("\n") + 1
    return text[: text.index(place)].count("\n") + 1


@pytest.mark.parametrize("case", SHEET, ids=lambda case: case.name)
def test_a_broken_file_names_line_field_and_problem(case):
    text = edited(case)
    problems = problems_of({case.file: text}, case.protocol)
    named = (case.file, text) if case.at in text else (WET, BY_SERIES)
    file, line = named[0], line_of(named[1], case.at)
    found = [
        p
        for p in problems
        if (p.file, p.line) == (file, line)
        and p.field.startswith(case.field)
        and case.phrase in f"{p.problem}; {p.remedy}"
    ]
    assert found, "\n".join(map(str, problems))


@pytest.mark.parametrize(
    "case",
    [
        *SHEET[::10],
        *(pytest.param(c, marks=pytest.mark.nights) for n, c in enumerate(SHEET) if n % 10),
    ],
    ids=lambda case: case.name,
)
def test_every_problem_is_one_printable_line_with_a_remedy(case):
    for problem in problems_of({case.file: edited(case)}, case.protocol):
        assert str(problem).isprintable()
        assert problem.line > 0
        assert problem.problem
        assert problem.remedy


def test_a_missing_protocol_or_rig_is_a_problem_of_its_own():
    def read(path: str) -> str:
        raise FileNotFoundError(path)

    for load in (load_rig, load_specimen, load_series):
        with pytest.raises(InputError, match="no such file"):
            load("nowhere.toml", read)


def test_a_file_that_is_no_text_is_one_problem():
    def read(path: str) -> str:
        return b"\xff\xfe".decode("utf-8")

    with pytest.raises(InputError, match="saved as UTF-16") as caught:
        load_rig("photo.toml", read)
    assert len(caught.value.problems) == 1


def test_a_deeply_nested_file_is_one_problem():
    problems = problems_of({WET: "a = " + "[" * 5000 + "]" * 5000})
    assert [p.problem for p in problems] == ["has brackets within brackets without end"]


PIECES = st.one_of(
    st.sampled_from(
        [
            "",
            '"',
            "[",
            "]",
            "{",
            "}",
            "=",
            ",",
            "\n",
            "#",
            "-",
            "0",
            "e9",
            "\x00",
            "\x1b",
            "é",
            "'''",
            '"""',
            "nan",
            "%",
        ]
    ),
    st.text(max_size=8),
)


@st.composite
def mutations(draw: st.DrawFn) -> tuple[str, str]:
    """Return a file's path and its text with lines and characters deleted or replaced."""
    path = draw(st.sampled_from([*shipped_names(), RIG, PRISM, SERIES]))
    text = shipped(path)
    for _ in range(draw(st.integers(1, 3))):
        if draw(st.booleans()):
            lines = text.splitlines(keepends=True) or [""]
            first = draw(st.integers(0, len(lines) - 1))
            last = draw(st.integers(first, min(first + 3, len(lines))))
            lines[first:last] = [draw(PIECES) + "\n"]
            text = "".join(lines)
        else:
            begin = draw(st.integers(0, len(text)))
            end = draw(st.integers(begin, min(begin + 6, len(text))))
            text = text[:begin] + draw(PIECES) + text[end:]
    return path, text


@pytest.mark.nights
@settings(max_examples=150)
@given(mutation=mutations())
def test_any_mutation_of_a_shipped_file_loads_or_says_what_is_wrong(mutation):
    path, text = mutation
    protocol = path if path in shipped_names() else WET
    try:
        plan = load_edited({path: text}, protocol)
    except InputError as error:
        said = [str(p) for p in error.problems]
    else:
        said = [plan.title]
    assert said
    assert all(line.isprintable() for line in said)


@settings(max_examples=100)
@given(text=st.text(alphabet="ab.=[]{}\"'\n #,1-", max_size=60))
def test_any_text_as_a_file_is_refused_in_words(text):
    assert all(str(p).isprintable() for p in problems_of({WET: text}))
