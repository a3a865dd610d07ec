"""A sheet of broken rig files on serial lines: line, field, what is wrong, and nothing else."""

from __future__ import annotations

import pytest

from tests.protocol import sheet_wire_controller, sheet_wire_devices
from tests.protocol.broken import Broken
from tests.protocol.wire_texts import FRAME, WIRED, problems_in

SHEET = [*sheet_wire_controller.SHEET, *sheet_wire_devices.SHEET]


def edited(case: Broken) -> str:
    assert case.old in WIRED
    # A key or table that all entries have is changed in all.
    count = -1 if case.old == "[[port]]" else 1
    return WIRED.replace(case.old, case.new, count)


def line_of(text: str, place: str) -> int:
    if not place:
        return text.rstrip().count("\n") + 1
    return text[: text.index(place)].count("\n") + 1


@pytest.mark.parametrize("case", SHEET, ids=lambda case: case.name)
def test_a_broken_rig_file_names_line_field_and_problem_and_nothing_that_follows(case):
    text = edited(case)
    problems = problems_in(text)
    wanted = (FRAME, line_of(text, case.at), case.field)
    told = [(p.file, p.line, p.field) for p in problems]
    said = "\n".join(map(str, problems))
    assert wanted in told, said
    assert any(case.phrase in f"{p.problem}; {p.remedy}" for p in problems if p.field == case.field), said
    if "another driver" not in case.name and "no lines" not in case.name:
        assert len(told) == 1, said
    for problem in problems:
        assert str(problem).isprintable()
        assert problem.remedy
