"""A sheet of broken rig files on serial lines: line, field, what is wrong, and nothing else."""

from __future__ import annotations

import pytest

from tests.protocol import (
    sheet_wire_actions,
    sheet_wire_buses,
    sheet_wire_channels,
    sheet_wire_controller,
    sheet_wire_ports,
)
from tests.protocol.broken import Broken
from tests.protocol.wire_texts import FRAME, WIRED, problems_in

SHEET = [
    *sheet_wire_ports.SHEET,
    *sheet_wire_controller.SHEET,
    *sheet_wire_actions.SHEET,
    *sheet_wire_channels.SHEET,
    *sheet_wire_buses.SHEET,
]


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
    (problem,) = problems_in(text)
    assert (problem.file, problem.line, problem.field) == (
        FRAME,
        line_of(text, case.at),
        case.field,
    ), problem
    assert case.phrase in f"{problem.problem}; {problem.remedy}"
    assert str(problem).isprintable()
    assert problem.remedy


def test_each_row_stands_in_the_sheet_once():
    assert len({(case.old, case.new) for case in SHEET}) == len(SHEET)
