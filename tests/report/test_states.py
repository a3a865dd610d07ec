"""What DEVELOPERS.md says and shows of the states is what the state table holds, read back."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from rig.control.states import FAULTS, LOADED, MOVING, STATES, TABLE, Row, possible
from rig.errors import InputError
from rig.report import states
from rig.report.state_layout import BOXES, problems

ROOT = Path(__file__).resolve().parents[2]
DOCUMENT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
STEPS = {(row.state, row.cause.replace(", ", ": "), row.to) for row in TABLE}


@pytest.fixture(scope="module")
def lines() -> dict[str, list[str]]:
    """Return the cells of each state's line in DEVELOPERS.md."""
    shown = DOCUMENT.partition(states.BEGIN)[2].partition(states.END)[0]
    rows = [line.strip("| ").split(" | ") for line in shown.splitlines() if line[:4] == "| **"]
    return {cells[0].strip("*"): cells[1:] for cells in rows}


def read_back(state: str, cell: str) -> set[tuple[str, str, str]]:
    """Return the steps that a cell of the last column tells a reader."""
    steps = set()
    for phrase in cell.split("<br>"):
        causes, _, follows = phrase.partition(" → ")
        told = []
        for cause in causes.split(", "):
            if cause.startswith("any fault"):
                lacking = cause.removeprefix("any fault").removeprefix(" but ").split(" and ")
                told += [fault for fault in FAULTS if fault not in lacking]
            else:
                told.append(cause)
        for to in re.findall(r"\*\*(.+?)\*\*", follows):
            steps |= {(state, cause, to) for cause in told}
    return steps


def test_developers_md_holds_the_part_that_the_table_gives():
    assert f"{states.BEGIN}\n{states.part()}\n{states.END}" in DOCUMENT


def test_every_state_has_its_line_in_the_order_of_a_test(lines):
    assert list(lines) == list(STATES)
    assert {state: cells[0] for state, cells in lines.items()} == STATES


def test_a_reader_of_the_lines_learns_every_step_of_the_table_and_no_other(lines):
    told = set()
    for state, cells in lines.items():
        told |= read_back(state, cells[2])
    assert told == STEPS


def test_the_lines_say_what_may_be_asked(lines):
    asked = {state: tuple(cells[1].split(", ")) for state, cells in lines.items()}
    assert asked == {state: possible(state) or ("nothing",) for state in STATES}


def test_the_part_says_where_an_open_guard_does_not_stop():
    lacking = [s for s in STATES if (s, "limit", "stopping") in STEPS]
    lacking = [s for s in lacking if (s, "guard", "stopping") not in STEPS]
    assert lacking
    assert f"`guard` does not stop it in {', '.join(lacking)};" in DOCUMENT


def test_where_a_specimen_may_stand_loaded_the_part_says_that_a_guard_stops_above_lower_load(lines):
    said = re.search(r"`guard` stops it in (.+?) only where .+ more than lower load", DOCUMENT)
    assert said is not None
    assert set(said[1].split(", ")) == LOADED
    marked = {state for state, cells in lines.items() if "guard only above lower load" in cells[2]}
    assert marked == LOADED


def test_the_part_names_the_few_faults_that_stop_a_checklist():
    few = [f"`{cause}`" for cause in FAULTS if ("checklist", cause, "stopping") in STEPS]
    assert few
    assert f"in checklist only {', '.join(few)} stop it." in DOCUMENT


def test_the_caution_names_every_still_state_that_a_motion_may_leave_unasked():
    still = {s for s, box in BOXES.items() if box.kind != "moves"} - {"idle", "checklist"}
    verbs = {"start", "confirm", "pause", "continue", "unload", "stop"}
    leaves = {
        row.state
        for row in TABLE
        if row.state in still - {"starting"}
        and row.cause not in verbs
        and row.to in {*MOVING, "starting"}
    }
    named = re.search(r"\*\*Caution\.\*\* In (.+?) the rig may move", DOCUMENT)
    assert named is not None
    assert set(named[1].split(", ")) == leaves


def test_states_that_move_have_the_shape_of_moving_ones():
    assert {s for s, box in BOXES.items() if box.kind == "moves"} == {*MOVING, "stopping"}
    assert list(BOXES) == list(STATES)


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ((*TABLE, Row("locked", "verdict", "paused", "")), "no arrow stands for locked -> paused"),
        ((*TABLE, Row("locked", "x", "asleep", "")), "no box stands for asleep"),
        (
            tuple(r for r in TABLE if r.state != "stopping"),
            "arrow stopping-stopped: the table has no step stopping -> stopped",
        ),
        (
            tuple(r for r in TABLE if (r.state, r.to) != ("hold", "pausing")),
            "arrow pausable-pausing: the table has no step hold -> pausing",
        ),
    ],
    ids=["new step", "new state", "lost step", "one step of a frame's arrow lost"],
)
def test_a_table_that_the_drawing_does_not_fit_is_told_in_one_line(table, told):
    assert problems() == []
    (line,) = problems(table)
    assert line.startswith(told)


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """Return a folder with an empty part."""
    (tmp_path / "rig" / "report").mkdir(parents=True)
    text = f"before\n{states.BEGIN}\nold\n{states.END}\nafter\n"
    (tmp_path / "DEVELOPERS.md").write_text(text, encoding="utf-8")
    return tmp_path


@pytest.mark.nights
@pytest.mark.xdist_group("pictures")
def test_writing_changes_the_part_and_the_picture_and_writing_again_nothing(checkout):
    document, picture = checkout / "DEVELOPERS.md", checkout / states.PICTURE
    states.write(checkout)
    first = document.read_text(encoding="utf-8"), picture.read_bytes()
    assert first[0].startswith("before\n<!-- states -->\n![")
    assert first[0].endswith("\n<!-- /states -->\nafter\n")
    assert "old" not in first[0].split()
    states.write(checkout)
    assert (document.read_text(encoding="utf-8"), picture.read_bytes()) == first


def test_a_document_without_both_markers_is_one_line_and_nothing_is_written(checkout):
    (checkout / "DEVELOPERS.md").write_text(states.END + states.BEGIN, encoding="utf-8")
    with pytest.raises(InputError, match=r"has no <!-- states --> ... <!-- /states -->") as told:
        states.write(checkout)
    assert len(str(told.value).splitlines()) == 1
    assert not (checkout / states.PICTURE).exists()


def test_a_folder_that_is_no_checkout_is_one_line(tmp_path):
    with pytest.raises(InputError, match=r"DEVELOPERS\.md: .*; only a checkout has this file"):
        states.write(tmp_path)
