"""Every problem comes in the first round, and none that only follows from another."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError, Problem
from rig.protocol import people_tables, protocol_file, rig_file, series_file, specimen_file
from rig.protocol.examples import EXAMPLES
from rig.protocol.fields import Table
from tests.protocol.texts import (
    BY_SERIES,
    PRISM,
    RIG,
    SERIES,
    WET,
    WHOLE,
    load_edited,
    problems_of,
    shipped,
)

TEXTS = {WET: WHOLE, RIG: shipped(RIG), PRISM: shipped(PRISM)}
PAIR = re.compile(r'(?m)^(\w+) = ("[^"\n]*"|\[[^\]\n]*\]|[\w.]+)')
UNREADABLE = "{ nothing = [] }"


def pairs(file: str) -> list[re.Match[str]]:
    """Return every `key = value` of a file that may not hold just anything."""
    free = ("law", "mix", "cast", "release", "soaked_since", "water")
    return [m for m in PAIR.finditer(TEXTS[file]) if m[1] not in free]


def spoilt(file: str, *found: re.Match[str]) -> str:
    """Return a file's text with unreadable values."""
    text = TEXTS[file]
    for match in sorted(found, key=lambda m: -m.start()):
        text = text[: match.start(2)] + UNREADABLE + text[match.end(2) :]
    return text


def line(file: str, match: re.Match[str]) -> int:
    return TEXTS[file].count("\n", 0, match.start()) + 1


@pytest.mark.parametrize("file", TEXTS)
def test_a_value_that_cannot_be_read_is_one_problem_and_nothing_follows_from_it(file):
    for match in pairs(file):
        problems = problems_of({WET: WHOLE, file: spoilt(file, match)})
        told = [(p.file, p.line) for p in problems]
        assert told == [(file, line(file, match))], "\n".join(map(str, problems))


def refused(file: str, text: str) -> tuple[Problem, ...]:
    """Return the problems of a whole protocol in which one file has another text."""
    try:
        load_edited({WET: WHOLE, file: text})
    except InputError as error:
        return error.problems
    return ()


@pytest.mark.parametrize("file", TEXTS)
def test_a_missing_key_is_one_problem_whose_line_to_paste_mends_it(file):
    for match in pairs(file):
        text = TEXTS[file]
        problems = refused(file, text[: match.start()] + "#" + text[match.start() :])
        if not problems:
            continue
        (problem,) = problems
        pasted = re.search(rf"add ({match[1]} = [^;]+)", problem.remedy)
        if problem.problem == "is missing" and pasted and " or " not in pasted[1]:
            mended = text[: match.start()] + pasted[1] + " #" + text[match.start() :]
            fields = [p.field for p in refused(file, mended) if p.problem != "is there twice"]
            assert problem.field not in fields, problem


@pytest.mark.parametrize("file", TEXTS)
def test_a_misspelt_key_is_read_as_the_one_it_was_meant_to_be(file):
    for match in pairs(file):
        if len(match[1]) < 3 or match[1] == "name":
            continue
        text = TEXTS[file][: match.end(1)] + "x" + TEXTS[file][match.end(1) :]
        (problem,) = problems_of({WET: WHOLE, file: text})
        assert problem.line == line(file, match)
        assert f'did you mean "{match[1]}"?' in problem.remedy


@settings(max_examples=30)
@given(data=st.data())
def test_values_that_cannot_be_read_in_several_files_are_all_told(data):
    # What these cannot be read of has a shape that nobody knows: a file, a channel, a stage.
    kept = {f: [m for m in pairs(f) if m[1] not in ("specimen", "name", "kind")] for f in TEXTS}
    found = {f: data.draw(st.lists(st.sampled_from(kept[f]), max_size=3)) for f in TEXTS}
    wanted = {(f, line(f, m)) for f, matches in found.items() for m in matches}
    if not wanted:
        return
    texts = {
        f: spoilt(f, *{m.start(): m for m in matches}.values()) for f, matches in found.items()
    }
    problems = problems_of(texts)
    assert {(p.file, p.line) for p in problems} == wanted, "\n".join(map(str, problems))


def test_slips_of_the_pen_and_of_thought_come_together():
    text = (
        BY_SERIES.replace("frequency =", "frequncy =")
        .replace('lower = "7 %"', 'lower = "75 %"')
        .replace("repeats = 3", 'repeats = "3"')
        .replace('contact = "2 kN"', 'contact = "93 kN"')
        .replace('from = "2000 cycles"', 'from = "4000 cycles"')
        .replace('load = ["-2 kN", "97 kN"]', 'load = ["-2 kN", "90 kN"]')
        .replace("[baseline]", "[base_line]")
    )
    rig = shipped(RIG).replace("limit = 1", "limit = 2").replace('"100 mm/s"', '"100 mm"')
    problems = problems_of({WET: text, RIG: rig})
    assert {p.field for p in problems} == {
        "loading.frequncy",
        "loading.lower",
        "stage[2].repeats",
        "stage[1].contact",
        "baseline.from",
        "base_line",
        "limits.load[2]",
        "stops.limit",
        "actuator.speed",
    }


def test_a_stage_that_cannot_be_read_leaves_the_number_of_the_others():
    text = WHOLE.replace('kind = "static"', 'kind = "slow"').replace(
        '"200 cycles"', '"12e6 cycles"'
    )
    assert {p.field for p in problems_of({WET: text})} == {"stage[2].kind", "stage[3].build_up"}


@pytest.mark.parametrize(
    ("file", "named", "said"),
    [
        (RIG, WET, "is a rig file, not a protocol"),
        (PRISM, WET, "is a specimen file, not a protocol"),
        (SERIES, WET, "is a series file, not a protocol"),
        (WET, RIG, "is a protocol, not a rig file"),
        (RIG, PRISM, "is a rig file, not a specimen file"),
        (WET, SERIES, "is a protocol, not a series file"),
    ],
)
def test_a_file_of_another_kind_is_one_problem(file, named, said):
    problems = problems_of({WET: BY_SERIES, named: BY_SERIES if file == WET else shipped(file)})
    assert [p.problem for p in problems] == [said]


def test_an_empty_file_is_one_problem():
    (problem,) = problems_of({PRISM: "# nothing yet\n"})
    assert problem.problem == "is empty"


def test_every_key_that_must_be_there_has_a_line_to_paste():
    for module in (protocol_file, people_tables, rig_file, specimen_file, series_file):
        for name, table in vars(module).items():
            if not (isinstance(table, type) and issubclass(table, Table)):
                continue
            needed = {i.alias or k for k, i in table.model_fields.items() if i.is_required()}
            for key in needed | set(table.required):
                held = [v for k, v in EXAMPLES.items() if k.rpartition(".")[2] == key]
                assert held, f"{name}.{key}"
