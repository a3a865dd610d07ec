"""What if: ranges as people write them, a protocol's text changed in one place, the verdicts."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.commands.files import read_text
from rig.errors import InputError
from rig.replay.edited import meant_key, with_value, without_value
from rig.replay.judged import replay
from rig.replay.ranges import values_of
from rig.replay.recording import open_recording
from rig.replay.varied import vary
from tests.replay.made import CASES, kept, texts

HERE = pytest.mark.xdist_group("recordings")  # they share what was recorded


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kept("loss 1", tmp_path_factory)


@pytest.mark.parametrize(
    ("words", "values"),
    [
        ("10 % .. 50 %", tuple(f"{v} %" for v in range(10, 51, 5))),
        ("10 .. 50 % in 3", ("10 %", "30 %", "50 %")),
        ("50%..10% in 2", ("50 %", "10 %")),
        ("10 %, 20 %, 40 %", ("10 %", "20 %", "40 %")),
        ("5 cycles .. 8 cycles", ("5 cycles", "6 cycles", "7 cycles", "8 cycles")),
        ("1e5 .. 11e6 cycles in 2", ("100000 cycles", "11000000 cycles")),
        ("85 kN .. 86 kN in 3", ("85 kN", "85.5 kN", "86 kN")),
        ("1..3", ("1", "2", "3")),
        ("0.5 mm", ("0.5 mm",)),
        ("0.1 .. 0.2 in 2", ("0.1", "0.2")),
    ],
)
def test_a_range_becomes_values_as_they_are_written(words, values):
    assert values_of(words) == values


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("", "no number"),
        ("ten percent", "no number"),
        ("10 % .. 50 kN", "in one unit"),
        ("10 % .. 10 %", "the same"),
        ("10 % .. 50 % in 1", "from 2 to"),
        ("10 % .. 50 % in many", "from 2 to"),
        ("10 % ..", "no number"),
        ("1 .. 2 in 1001", "from 2 to"),
        ("10 %,, 20 %", "no number"),
    ],
)
def test_a_range_that_says_nothing_is_refused_in_one_line(words, said):
    with pytest.raises(InputError, match=said) as refused:
        values_of(words)
    assert "\n" not in str(refused.value)


TOML = """
title = "10 %"            # stop = "1 %"
a.stop = '5 %'
b = { warn = "20 %", stop = "40 %", confirm = "100 cycles" }
c = { stop = "1 %" }
[d]
load = ["-6 kN", "100 kN"]
repeats = 3
[[stage]]
kind = "approach"
[[stage]]
kind = "cyclic"
run_out = "5 cycles"
[e.f]
x = "1"
"""


@pytest.mark.parametrize(
    ("path", "value", "wanted"),
    [
        (("a", "stop"), "6 %", "6 %"),
        (("b", "stop"), "30 %", "30 %"),
        (("c", "stop"), "30 %", "30 %"),
        (("c", "confirm"), "7 cycles", "7 cycles"),
        (("d", "load", 1), "90 kN", "90 kN"),
        (("d", "load", 0), "-5 kN", "-5 kN"),
        (("d", "repeats"), "4", 4),
        (("d", "new"), "4", 4),
        (("stage", 1, "run_out"), "9 cycles", "9 cycles"),
        (("stage", 0, "run_out"), "9 cycles", "9 cycles"),
        (("e", "f", "x"), "2 %", "2 %"),
        (("g", "h", "x"), "2 %", "2 %"),
        (("title",), "20 %", "20 %"),
        (("other",), "20 %", "20 %"),
    ],
)
def test_one_value_changes_and_nothing_else(path, value, wanted):
    changed = with_value(TOML, path, value)
    before, after = tomllib.loads(TOML), tomllib.loads(changed)
    place = after
    for part in path[:-1]:
        place = place[part]
    assert place[path[-1]] == wanted
    assert len(changed.splitlines()) - len(TOML.splitlines()) in (0, 1, 3)
    kept = {name: value for name, value in before.items() if name != path[0]}
    assert {name: after[name] for name in kept} == kept


def test_a_place_that_is_none_is_refused():
    for path in (("stage", 7, "run_out"), ("d", "repeats", "x"), ("d", "load", 5)):
        with pytest.raises(InputError, match="no such place"):
            with_value(TOML, path, "1 %")


def test_a_value_can_be_taken_out():
    assert tomllib.loads(without_value(TOML, ("b", "warn")))["b"] == {
        "stop": "40 %",
        "confirm": "100 cycles",
    }


def test_of_a_table_the_value_that_ends_the_test_is_meant():
    assert meant_key(TOML, "b") == (("b", "stop"), "b.stop")
    assert meant_key(TOML, "b.confirm") == (("b", "confirm"), "b.confirm")
    assert meant_key(TOML, "stage[2].run_out")[0] == ("stage", 1, "run_out")
    with pytest.raises(InputError, match="name a value in it: load, repeats"):
        meant_key(TOML, "d")
    with pytest.raises(InputError, match="is a list"):
        meant_key(TOML, "stage")
    with pytest.raises(InputError, match="no key of a protocol"):
        meant_key(TOML, "stage[0]")


@HERE
def test_stricter_values_end_the_test_no_later(run):
    with open_recording(run) as recording:
        found = vary(recording, "failure.stiffness_loss=5 % .. 30 % in 6", None, read_text)
    assert found.key == "failure.stiffness_loss.stop"
    assert {r.outcome for r in found.replayed} == {"failure"}
    cycles = [r.cycles for r in found.replayed]
    assert cycles == sorted(cycles)
    assert cycles[0] < cycles[-1] == 282
    assert found.notes == (
        "5 %, 10 %: judged without the warn beside it, which would come no sooner",
    )


@pytest.mark.nights
@HERE
@given(percent=st.integers(11, 60), confirm=st.integers(1, 60))
@settings(max_examples=8)
def test_one_value_gives_what_a_protocol_with_that_value_gives(
    run, tmp_path_factory, percent, confirm
):
    folder = tmp_path_factory.mktemp("other")
    text = texts(CASES["loss 1"])[0]
    text = text.replace(
        'confirm = "5 cycles" }\nstiffness', f'confirm = "{confirm} cycles" }}\nstiffness'
    )
    (folder / "base.toml").write_text(text, encoding="utf-8")
    written = text.replace('stop = "30 %"', f'stop = "{percent} %"')
    (folder / "written.toml").write_text(written, encoding="utf-8")
    assert written != text or percent == 30
    words = f"failure.stiffness_loss={percent} %"
    with open_recording(run) as recording:
        varied = vary(recording, words, str(folder / "base.toml"), read_text).replayed
        plan = recording.plan_with(str(folder / "written.toml"), read_text)
        assert varied == (replay(recording, plan),)


@HERE
def test_a_criterion_that_is_alert_only_ends_the_test_at_no_value_and_the_table_says_so(
    run, tmp_path
):
    case = replace(CASES["loss 1"], alerts='alert_only = ["stiffness_loss"]')
    (tmp_path / "quiet.toml").write_text(texts(case)[0], encoding="utf-8")
    with open_recording(run) as recording:
        path = str(tmp_path / "quiet.toml")
        quiet = vary(recording, "failure.stiffness_loss=15 %, 30 %", path, read_text)
        other = vary(recording, "failure.stiffness_step=50 %", path, read_text)
    assert not {r.outcome for r in quiet.replayed} & {"failure"}
    told = "stiffness_loss is alert only: no value of it ends or pauses the test"
    assert quiet.notes == (told,)
    assert not any("alert only" in note for note in other.notes)


@HERE
def test_a_value_that_no_protocol_may_have_is_told_with_line_and_field(run):
    with open_recording(run) as recording, pytest.raises(InputError) as refused:
        vary(recording, "failure.stiffness_loss=99 %", None, read_text)
    assert "protocol.toml:" in str(refused.value)
    assert "failure.stiffness_loss.stop" in str(refused.value)
