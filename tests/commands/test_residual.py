"""A run-out that is broken afterwards, as people type it: stopped, mended, killed, closed."""

from __future__ import annotations

import json
from pathlib import Path

import h5py
import pytest

from rig.assembly.looking_back import look_back
from rig.assembly.rehearsal import rehearse
from rig.commands.files import load
from rig.control.desk import Request
from rig.ports import InputState
from rig.record import read_journal, take_up
from simulators.faults import InputChange
from tests.commands.cut_off import copy, events, nightrig, said_by
from tests.commands.residuals import RAMP, RUN_OUT, files, killed_in

pytestmark = pytest.mark.xdist_group("residual")


@pytest.fixture(scope="module")
def stopped(tmp_path_factory) -> Path:
    """Return the folder of one that was stopped while it was being broken."""
    folder = tmp_path_factory.mktemp("stopped")
    stop = Request("stop", who="A. Name", text="supper")
    result = rehearse(load(*files(folder)), folder / "run", 1, script=((RAMP, stop),))
    assert (result.outcome, result.residual.outcome) == ("run-out", "operator")
    return folder / "run"


@pytest.fixture(scope="module")
def killed(tmp_path_factory) -> Path:
    """Return the folder of one that was killed while it was being broken."""
    return killed_in(tmp_path_factory.mktemp("killed"), "ramp")


def attributes(out: Path) -> dict:
    with h5py.File(out / "run.h5") as run:
        return dict(run.attrs)


@pytest.mark.nights
def test_the_result_has_both_outcomes_in_words_and_as_json(tmp_path, capsys):
    protocol, rig = files(tmp_path)
    words = ["rehearse", protocol, "--rig", rig, "--seed", "1"]
    assert nightrig(*words, "--out", str(tmp_path / "a")) == 0
    said = capsys.readouterr().out.splitlines()
    assert f"  outcome   run-out: no failure in {RUN_OUT} cycles" in said
    (line,) = (line for line in said if line.startswith("  residual  "))
    assert nightrig(*words, "--out", str(tmp_path / "b"), "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["outcome"], told["cycles"]) == ("run-out", RUN_OUT)
    after = told["residual"]
    assert after["outcome"] == "ultimate"
    assert line == f"  residual  {after['load_N'] / 1e3:.5g} kN: {after['why']}"
    given = attributes(tmp_path / "b")
    assert given["outcome"] == "run-out"
    assert given["residual_load"] == after["load_N"]
    assert given["residual_deflection"] == after["deflection_m"]
    assert (given["residual_outcome"], given["residual_why"]) == ("ultimate", after["why"])


def test_one_that_was_stopped_while_it_was_broken_says_how_it_goes_on_and_does(
    stopped, tmp_path, capsys
):
    out = copy(stopped, tmp_path)
    assert nightrig("watch", str(out)) == 5
    said = capsys.readouterr().out
    assert f"  go on     nightrig resume {out}" in said.splitlines()
    assert "residual  not known: operator" in said
    gone_on = said_by("resume", str(out), "--json")
    told = json.loads(gone_on.out)
    assert (gone_on.code, told["outcome"], told["residual"]["outcome"]) == (
        *(0, "run-out"),
        "ultimate",
    )
    assert f"run-out at {RUN_OUT} cycles, its residual capacity not known yet" in gone_on.err
    assert "its residual test ended with operator: stopped by A. Name: supper" in gone_on.err
    assert "then stage to ultimate goes on" in gone_on.err


@pytest.mark.nights
def test_one_that_is_ended_stays_as_it_is(stopped, tmp_path):
    out = copy(stopped, tmp_path)
    before = (out / "run.h5").read_bytes()
    assert nightrig("resume", str(out), "--end") == 5
    assert (out / "run.h5").read_bytes() == before


@pytest.mark.nights
def test_one_that_was_killed_while_it_was_broken_goes_on(killed, tmp_path):
    out = copy(killed, tmp_path)
    with read_journal(out) as journal:
        assert journal.restart_point["state"] == "ramp"
        before = journal.columns("cycles")
    gone_on = said_by("resume", str(out), "--json")
    told = json.loads(gone_on.out)
    assert (gone_on.code, told["outcome"], told["cycles"]) == (0, "run-out", RUN_OUT)
    assert told["residual"]["outcome"] == "ultimate"
    assert f"all cycles up to its run-out, {RUN_OUT}" in gone_on.err
    with h5py.File(out / "run.h5") as run:
        for name, column in before.items():
            assert run[f"cycles/{name}"][:].tobytes() == column.tobytes()
    assert len(events(out, "residual")) == 1


@pytest.mark.nights
@pytest.mark.parametrize("state", ["inspection", "stopping"])
def test_one_that_was_killed_about_its_static_test_goes_on(tmp_path, state):
    out = killed_in(tmp_path, state)
    gone_on = said_by("resume", str(out), "--json")
    told = json.loads(gone_on.out)
    assert (gone_on.code, told["outcome"], told["cycles"]) == (0, "run-out", RUN_OUT)
    assert told["residual"]["outcome"] == "ultimate"


@pytest.mark.nights
def test_closing_one_that_was_killed_keeps_its_run_out(killed, tmp_path, capsys):
    out = copy(killed, tmp_path)
    assert nightrig("resume", str(out), "--end", "moved house", "--json") == 5
    told = json.loads(capsys.readouterr().out)
    assert (told["outcome"], told["cycles"]) == ("run-out", RUN_OUT)
    after = told["residual"]
    assert (after["outcome"], after["why"]) == ("operator", "ended as it stands: moved house")
    assert after["load_N"] > 0
    # It is closed: nothing goes on by itself.
    assert nightrig("resume", str(out)) == 5
    assert attributes(out)["residual_outcome"] == "operator"


@pytest.mark.nights
def test_a_fault_in_it_has_the_code_of_a_fault_and_goes_on_once_mended(tmp_path, capsys):
    pressed = InputChange(round(RAMP * 1000), InputState(emergency_stop=True))
    plan, out = load(*files(tmp_path)), tmp_path / "run"
    result = rehearse(plan, out, 1, faults=(pressed,))
    assert (result.outcome, result.residual.outcome) == ("run-out", "fault")
    assert nightrig("resume", str(out)) == 4
    assert "--mended" in capsys.readouterr().err
    assert nightrig("resume", str(out), "--mended", "button released", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["outcome"], told["residual"]["outcome"]) == ("run-out", "ultimate")


@pytest.mark.nights
def test_a_verdict_that_stands_is_given_its_end_and_nothing_moves(tmp_path, capsys):
    plan, out = load(*files(tmp_path)), tmp_path / "run"
    result = rehearse(plan, out, 1)
    take_up(out)  # as a kill between the verdict and the end leaves it
    states = events(out, "state")
    assert look_back(out).verdict.residual == result.residual
    assert nightrig("resume", str(out), "--json") == 0
    said, told = capsys.readouterr()
    assert json.loads(said)["residual"]["load_N"] == result.residual.load
    assert "finished now; nothing was moved" in told
    assert events(out, "state") == states
