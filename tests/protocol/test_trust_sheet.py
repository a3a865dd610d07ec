"""Tables that make a rig trusted: what is wrong in them has line, field, remedy, and no sequel."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError, Problem
from rig.protocol import calibration_tables, trust_tables
from rig.protocol.examples import EXAMPLES
from rig.protocol.fields import Table
from tests.protocol.broken import Broken
from tests.protocol.sheet_trust import SHEET
from tests.protocol.trust_texts import TRUSTED, changed
from tests.protocol.wire_texts import loaded, problems_in

PAIR = re.compile(r'(?m)(?:^|[{,] )(\w+) = ("[^"\n]*"|\[[^\[\]\n]*\]|[\w.+-]+)')
TABLES = ("[channel.calibration]", "[frame]", "[supply]", "[dynamic_v", "[proof_of")
UNREADABLE = "{ nothing = [] }"


def _pairs() -> list[re.Match[str]]:
    """Return every `key = value` of the tables that are looked at here."""
    spans = [
        (piece.start(), piece.end())
        for piece in re.finditer(r"(?ms)^\[.*?(?=^\[|\Z)", TRUSTED)
        if piece[0].startswith(TABLES)
    ]
    return [
        m for m in PAIR.finditer(TRUSTED) if any(a <= m.start() and m.end() <= b for a, b in spans)
    ]


PAIRS = _pairs()


def few_each_time(pairs: list[re.Match[str]]) -> list[Any]:
    """Return the pairs as rows of a test, of which all but every fifth are for the nights."""
    return [
        pytest.param(pair, marks=pytest.mark.nights) if n % 5 else pair
        for n, pair in enumerate(pairs)
    ]


def line_of(place: str, text: str) -> int:
    return text[: text.index(place)].count("\n") + 1


def line(match: re.Match[str]) -> int:
    return TRUSTED.count("\n", 0, match.start(1)) + 1


@pytest.mark.parametrize("case", SHEET, ids=lambda case: case.name)
def test_a_mistake_is_one_problem_with_its_line_and_field(case: Broken):
    text = changed((case.old, case.new))
    (problem,) = problems_in(text)
    assert (problem.line, problem.field) == (line_of(case.at, text), case.field), problem
    assert case.phrase in f"{problem.problem}; {problem.remedy}"
    assert str(problem).isprintable()
    assert problem.remedy


def test_each_row_stands_in_the_sheet_once():
    assert len({(case.old, case.new) for case in SHEET}) == len(SHEET)


def test_every_key_of_the_tables_is_there_to_be_spoilt():
    told = {match[1] for match in PAIRS}
    known = {
        key
        for module in (calibration_tables, trust_tables)
        for table in vars(module).values()
        if isinstance(table, type) and issubclass(table, Table)
        for key in table.model_fields
    }
    assert known - told == {"points", "rows"}  # lists of lists, in the sheet


@pytest.mark.parametrize(
    "match", few_each_time(PAIRS), ids=lambda match: match[0].strip("{, ")[:30]
)
def test_a_value_that_cannot_be_read_is_one_problem_and_nothing_follows_from_it(match):
    spoilt = TRUSTED[: match.start(2)] + UNREADABLE + TRUSTED[match.end(2) :]
    problems = problems_in(spoilt)
    assert [p.line for p in problems] == [line(match)], "\n".join(map(str, problems))


@pytest.mark.parametrize(
    "match", few_each_time([m for m in PAIRS if len(m[1]) > 2]), ids=lambda match: match[1]
)
def test_a_misspelt_key_is_read_as_the_one_it_was_meant_to_be(match):
    (problem,) = problems_in(TRUSTED[: match.end(1)] + "x" + TRUSTED[match.end(1) :])
    assert problem.line == line(match)
    assert f'did you mean "{match[1]}"?' in problem.remedy


def refused(text: str) -> tuple[Problem, ...]:
    try:
        loaded(text)
    except InputError as error:
        return error.problems
    return ()


def without(match: re.Match[str], instead: str = "") -> str:
    """Return the file without a key, or with another text in its place."""
    before, after = TRUSTED[: match.start(1)], TRUSTED[match.end(2) :]
    if before.endswith("\n"):
        return f"{before}{instead} #{after}"
    if instead:
        return before + instead + after
    return before + after[2:] if after.startswith(", ") else before.removesuffix(", ") + after


@pytest.mark.nights
def test_a_missing_key_is_one_problem_whose_line_to_paste_mends_it():
    mended = 0
    for match in PAIRS:
        problems = refused(without(match))
        assert len(problems) <= 1, f"{match[0]}\n" + "\n".join(map(str, problems))
        if not problems:
            continue
        assert problems[0].problem == "is missing", match[0]
        pasted = re.search(rf'add ({match[1]} = (?:"[^"]+"|\w+)(?: or )?)', problems[0].remedy)
        if pasted and not pasted[1].endswith(" or "):
            left = refused(without(match, pasted[1]))
            assert problems[0].field not in [p.field for p in left if p.problem == "is missing"]
            mended += 1
    assert mended > 15


def test_every_key_that_must_be_there_has_a_line_to_paste():
    for module in (calibration_tables, trust_tables):
        for name, table in vars(module).items():
            if isinstance(table, type) and issubclass(table, Table):
                for key, info in table.model_fields.items():
                    known = any(k.rpartition(".")[2] == key for k in EXAMPLES)
                    assert known or not info.is_required(), f"{name}.{key}"


def test_slips_in_several_tables_come_together():
    text = changed(
        ('until = "2027-03-14"', 'until = "2025-03-14"'),
        ('used = ["5 degC", "35 degC"]', 'used = ["5 degC", "350 degC"]'),
        ('cell = "fixed"', 'cel = "fixt"'),
        ('others = "20 L/min"', 'others = "90 L/min"'),
        ("repeats = 3", "repeats = 3.5"),
    )
    assert {p.field for p in problems_in(text)} == {
        "channel[1].calibration.until",
        "channel[8].calibration.used",
        "frame.cel",
        "frame.cell",
        "supply.others",
        "proof_of_stopping.rows[2].repeats",
    }


# Whatever TOML can hold in the place of any value.

WORDS = [
    *("nan", "inf", "-1", "0", "1e400", "true", "[]", "{}", '""', '"\\u001b[2J"', "[[], []]"),
    *("2026-03-14", "2026-03-14T10:00:00Z", "10:00:00", '"0 kN"', '"nan kN"', '"1e999 kN"'),
    *('["0 kN", "1 kN"]', '[["0 kN", 1], [2026-01-01, "1 kN"]]', '["1 K", "2 K"]', "{ date = 1 }"),
    *('[{ cause = "a", time = "1 s" }]', '[1, "2", {}]', '"90 d"', '"kg"', '"9999-12-31"'),
]


@given(
    places=st.dictionaries(
        st.sampled_from(range(len(PAIRS))), st.sampled_from(WORDS), min_size=1, max_size=4
    )
)
def test_any_value_in_any_place_is_read_or_refused_in_one_line_each(places):
    text = TRUSTED
    for place in sorted(places, reverse=True):
        text = text[: PAIRS[place].start(2)] + places[place] + text[PAIRS[place].end(2) :]
    for problem in refused(text):
        assert str(problem).isprintable()
        assert 0 < problem.line <= text.count("\n") + 1
        assert problem.remedy
