"""`nightrig resume` after a kill, a Ctrl-C, a fault, an end: what it says and what it leaves."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import h5py
import pytest

from rig.assembly.looking_back import look_back
from rig.assembly.rehearsal import rehearse
from rig.commands.account import DOING, account
from rig.commands.files import load
from rig.control.desk import Request
from rig.control.states import STATES
from rig.record.history import read_journal
from rig.record.take_up import take_up
from tests.commands.cut_off import (
    PRESSED,
    RUN_OUT,
    copy,
    events,
    files,
    nightrig,
    numbers,
)
from tests.commands.test_rehearse import KEYS
from tests.readme import section, steps
from tests.test_docs_crash import CRASH

pytestmark = pytest.mark.xdist_group("resume")
GONE = "its program was gone (killed, or a power cut) while cycling"


def test_a_killed_rehearsal_says_what_is_known_and_goes_on_with_its_count(killed, gone_on):
    out = Path(gone_on.words[1])
    with read_journal(killed) as journal:
        before, cut = journal.columns("cycles"), journal.restart_point["recorded"]["cycles"]
    counted = len(before["number"])
    account = gone_on.err.splitlines()
    assert account[0] == "Prism P-77, a short test"
    assert account[1] == f"  test      rehearsal on simulated frame, in {out}"
    assert account[2].startswith(f"  happened  {GONE}; today ")
    assert account[3].startswith(f"  kept      all up to cycle {counted:,}")
    assert f"stage 2 of 2, fatigue; {counted:,} of {RUN_OUT:,} cycles" in account[4]
    assert account[5].endswith(f"cycles from {cut + 1:,} on")
    result = json.loads(gone_on.out)
    assert result.keys() == KEYS
    assert (gone_on.code, result["outcome"], result["cycles"]) == (0, "run-out", RUN_OUT)
    assert numbers(out)[:RUN_OUT] == list(range(1, RUN_OUT + 1))
    assert events(out, "resume")[0] == GONE
    with h5py.File(out / "run.h5") as run:
        for name, column in before.items():
            assert run[f"cycles/{name}"][:cut].tobytes() == column[:cut].tobytes()


def test_a_specimen_behind_emulated_devices_has_gone_on_and_no_row_is_made_again(killed):
    found = look_back(killed)
    assert found.kept_rows == found.point["recorded"]
    wired = replace(found, point={**found.point, "rig": None})
    assert wired.kept_rows is None
    assert wired.taken_up(0.0, "").counted == wired.cycles
    told = "\n".join(account(wired, 0.0, "", "", datetime.now(UTC)))
    assert f"all up to cycle {found.cycles:,}; at most the last half second is missing" in told
    assert f"cycles from {found.cycles + 1:,} on" in told


def test_it_says_what_the_readme_shows_in_that_order(gone_on):
    (quoted,) = (s.printed for s in steps(section(CRASH)) if s.text == "nightrig resume crash-1")
    said = gone_on.err.splitlines()[: len(quoted)]
    assert [line[:12] for line in said[1:]] == [line[:12] for line in quoted[1:]]
    for line, shown in zip(said[2:4], quoted[2:4], strict=True):
        assert re.split(r"\d", line)[0] == re.split(r"\d", shown)[0]


@pytest.mark.nights
def test_a_rehearsal_that_was_stopped_says_how_it_goes_on_and_does(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    plan, out = load(*files(tmp_path, 500)), Path("run")
    stop = Request("stop", who="A. Name", text="supper")
    counted = rehearse(plan, out, 1, script=((40.0, stop),)).cycles
    assert 0 < counted < 500
    capsys.readouterr()
    assert nightrig("watch", str(out)) == 5
    assert f"  go on     nightrig resume {out}" in capsys.readouterr().out.splitlines()
    assert nightrig("watch", str(out), "--once") == 0
    assert f" > to go on: nightrig resume {out}" in capsys.readouterr().out.splitlines()
    assert nightrig("resume", str(out)) == 0
    told = capsys.readouterr().err
    assert "  happened  it ended with operator: stopped by A. Name: supper; today " in told
    assert f"  kept      all {counted:,} cycles" in told
    assert numbers(out)[:500] == list(range(1, 501))


@pytest.mark.nights
def test_what_ended_is_printed_and_its_run_file_made_again_where_it_must_be(
    closed, tmp_path, capsys
):
    out = copy(closed, tmp_path)
    made = (out / "run.h5").read_bytes()
    capsys.readouterr()
    assert nightrig("resume", str(out)) == 0
    said, told = capsys.readouterr()
    assert told == ""
    assert f"  outcome   run-out: no failure in {RUN_OUT:,} cycles" in said.splitlines()
    (out / "run.h5").unlink()
    assert nightrig("resume", str(out), "--mended", "nothing", "--json") == 0
    said, told = capsys.readouterr()
    assert json.loads(said)["run"] == str(out / "run.h5")
    assert f"{out}/run.h5 is missing: made again from the journal, and verified" in told
    assert "a test that ended with run-out does not go on" in told
    assert (out / "run.h5").read_bytes() == made


@pytest.mark.nights
def test_a_verdict_that_stands_is_given_its_end_and_nothing_moves(closed, tmp_path, capsys):
    out = copy(closed, tmp_path)
    take_up(out)  # as a kill between the verdict and the end leaves it
    states = events(out, "state")
    assert nightrig("watch", str(out)) == 1
    assert f"Go on with: nightrig resume {out}" in capsys.readouterr().err
    assert nightrig("resume", str(out)) == 0
    assert "the test had ended and only its record had not: finished now" in capsys.readouterr().err
    assert events(out, "state") == states
    assert len(numbers(out)) >= RUN_OUT


@pytest.mark.nights
def test_a_fault_goes_on_only_when_it_is_said_what_was_done(fault, tmp_path, capsys):
    out = copy(fault, tmp_path)
    capsys.readouterr()
    assert nightrig("resume", str(out)) == 4
    said, told = capsys.readouterr()
    on = f'once the cause is mended: nightrig resume {out} --mended "WHAT WAS DONE"'
    assert told == f"{out}: nothing was moved; it goes on {on}\n"
    assert "  outcome   fault: emergency stop pressed" in said
    assert nightrig("watch", str(out), "--once") == 0
    assert "once the cause is mended: nightrig resume" in capsys.readouterr().out
    assert nightrig("resume", str(out), "--mended", "  button\x1b released ") == 0
    assert "  mended    button released" in capsys.readouterr().err.splitlines()
    assert events(out, "resume")[0].endswith("emergency stop pressed; mended: button released")
    assert numbers(out)[:1000] == list(range(1, 1001))


def test_a_stop_in_the_middle_of_a_block_leaves_no_recorded_cycle_as_not_recorded(fault, tmp_path):
    out = copy(fault, tmp_path)
    with read_journal(out) as journal:
        began = journal.columns("cycles")["time"][-1]
    # At 10 Hz no second whole cycle has room between the begin of the last one and the stop.
    assert 0.1 < PRESSED - began < 0.2
    assert nightrig("resume", str(out), "--mended", "button released") == 0
    assert events(out, "resume")[1] == "0 cycles run and not recorded, by its counter"


def test_end_closes_a_record_as_it_stands(killed, tmp_path):
    out = copy(killed, tmp_path)
    cycles = look_back(out).cycles
    assert nightrig("resume", str(out), "--end", "moved house") == 5
    with h5py.File(out / "run.h5") as run:
        assert run.attrs["outcome"] == "operator"
        assert run.attrs["why"] == "ended as it stands: moved house"
    assert numbers(out) == list(range(1, cycles + 1))
    # A second time nothing is left to be ended.
    before = (out / "run.h5").read_bytes()
    assert nightrig("resume", str(out), "--end") == 5
    assert (out / "run.h5").read_bytes() == before


@pytest.mark.nights
def test_a_test_that_had_not_begun_begins(tmp_path, capsys):
    plan, out = load(*files(tmp_path, 100)), tmp_path / "run"
    assert rehearse(plan, out, 1, script=((0.5, Request("stop", who="A. Name")),)).cycles == 0
    capsys.readouterr()
    assert nightrig("resume", str(out)) == 0
    told = capsys.readouterr().err.splitlines()
    assert "  kept      all that was recorded; no cycle was counted yet" in told
    assert "  stands    before its first stage" in told
    assert "  now       it begins with its first stage" in told
    assert numbers(out)[:100] == list(range(1, 101))


@pytest.mark.endurance
def test_two_copies_of_one_folder_go_on_to_equal_tables(fault, tmp_path):
    tables = []
    for name in ("a", "b"):
        out = copy(fault, tmp_path / name)
        assert nightrig("resume", str(out), "--mended", "released") == 0
        with h5py.File(out / "run.h5") as run:
            tables.append({n: c[:].tobytes() for n, c in run["cycles"].items()})
    assert tables[0] == tables[1]


def test_what_it_was_doing_is_in_words_in_every_state():
    assert DOING.keys() == STATES.keys()
