"""Nobody proves stops by accident; what was found is told, and kept in the rig file."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from rig.acquire.standstill import Stopped
from rig.assembly.prove_stops import Order, Proof, Proven
from rig.assembly.rig_tables import keep_table
from rig.assembly.stop_rows import ROWS, LeftOut, Moving
from rig.commands.main import main
from rig.commands.proof_told import proof_object, proof_table, proof_words
from rig.commands.prove_stops import (
    Asked,
    _confirmed,
    _operator,
    _order,
    _refuse,
    _refuse_unattended,
)
from rig.commands.rig_alone import load_rig_alone
from rig.errors import InputError, NotBegun
from rig.protocol.load import load_rig
from tests.commands.surveys import wired_plan

ASKED = Asked(1, None, None, None, keep=False, rig_name=None)
PLAN = replace(load_rig_alone(None), rig=replace(wired_plan(), local_input="button"))
RIG = PLAN.rig


def row(cause: str) -> int:
    return [one.cause for one in ROWS].index(cause)


PROOF = Proof(
    rows=[
        Proven(ROWS[row("guard")], (Stopped(0.0301, 3.01e-6, 1e-4), Stopped(0.0512, 4.4e-6, 1e-4))),
        Proven(ROWS[row("watchdog")], (Stopped(0.5117, 52.06e-6, 1e-4),)),
    ],
    left_out=(LeftOut("leak", "the rig file has no such input"),),
)
ORDER = Order(
    Moving(5e-4, 1e3, 5e4), 2, 'A. "N" Name', "", frozenset(), lambda text: None, emulated=True
)
DAY = date(2026, 11, 29)


@pytest.fixture
def terminal(monkeypatch):
    """Return a function that types lines on a terminal which is standard input."""
    primary, secondary = os.openpty()
    with os.fdopen(secondary, encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield lambda *lines: os.write(primary, "".join(f"{x}\n" for x in lines).encode())
    os.close(primary)


@pytest.fixture
def nobody(monkeypatch):
    with open(os.devnull, encoding="utf-8") as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        yield


def code(*words: str) -> int | str | None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    return ended.value.code


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--repeats", "2"), "--repeats goes with --prove-stops"),
        (("--speed", "1 mm/s"), "--speed goes with --prove-stops"),
        (("--up-to", "5 kN"), "--up-to goes with --prove-stops"),
        (("--keep",), "--keep goes with --prove-stops"),
        (("--panel", "p"), "--panel goes with --emulate or --prove-stops"),
        (("--prove-stops", "--try", "horn"), "--try goes without --prove-stops"),
        (("--prove-stops", "--emulate"), "--emulate goes without --prove-stops"),
        (("--prove-stops", "--seed", "2"), "--seed goes with --emulate"),
        (("--emulate", "--repeats", "2"), "--repeats goes with --prove-stops"),
        (("--prove-stops", "--speed", "1 kN"), "--speed: "),
        (("--prove-stops", "--up-to", "5"), "--up-to: "),
        (("--prove-stops", "--repeats", "0"), "--repeats"),
        (("--emulate", "--panel", "none/p"), "--panel none/p: there is no folder none"),
        (("--prove-stops",), "is simulated inside this program"),
    ],
)
def test_what_does_not_fit_is_refused_in_a_line(words, why, capfd):
    assert code("devices", *words) == 2
    assert why in " ".join(capfd.readouterr().err.split())


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ({"speed": 0.0}, "--speed: give one above 0"),
        ({"speed": 0.02}, "up to 10 mm/s"),
        ({"up_to": 1e3}, "--up-to: 1 kN is too little"),
        ({"up_to": 5e5}, "--up-to: 500 kN is more than this rig may push; give at most 250 kN"),
    ],
)
def test_a_motion_that_is_too_quick_or_too_small_is_refused(asked, why):
    with pytest.raises(InputError, match=why):
        _refuse(PLAN, replace(ASKED, **asked))


def test_an_emulated_rig_needs_a_panel_and_a_real_one_a_person(nobody):
    with pytest.raises(InputError, match="start the emulation with --panel SOCKET"):
        _refuse_unattended(PLAN, ASKED, emulated=True)
    with pytest.raises(InputError, match="this one is real"):
        _refuse_unattended(PLAN, replace(ASKED, panel=Path("p")), emulated=False)
    with pytest.raises(InputError, match="by a person at a terminal"):
        _refuse_unattended(PLAN, ASKED, emulated=False)


def test_a_panel_that_is_not_there_is_noticed_before_the_rod_moves(tmp_path, nobody):
    asked = replace(ASKED, panel=tmp_path / "none.sock")
    with pytest.raises(InputError, match=r"none\.sock: No such file.*nothing was moved"):
        _refuse_unattended(PLAN, asked, emulated=True)


@pytest.mark.parametrize("was", [True, False])
def test_a_rig_that_has_become_another_is_not_moved(was):
    with pytest.raises(InputError, match="nothing was moved"):
        _operator(replace(ASKED, panel=Path("p")), ORDER, was=was, now=not was)
    assert _operator(replace(ASKED, panel=Path("p")), ORDER, was=True, now=True).by_hand is False
    assert _operator(ASKED, ORDER, was=False, now=False).by_hand is True


def test_a_real_rig_without_a_local_input_is_refused(terminal):
    _refuse_unattended(PLAN, ASKED, emulated=False)
    without = replace(PLAN, rig=replace(RIG, local_input=""))
    with pytest.raises(InputError, match="has no local input"):
        _refuse_unattended(without, ASKED, emulated=False)


def test_the_checklist_is_confirmed_item_by_item_and_by_name(terminal, capfd):
    items = 12  # the dummy beam, and what a test on this rig asks for
    terminal(*["y"] * items, *"yyyny", "A. Name", "nobody", "B. Name, +00 000")
    who, on_call, skip = _confirmed(PLAN, 5e4)
    assert (who, on_call, skip) == ("A. Name", "B. Name, +00 000", {"oil pressure"})
    said = " ".join(capfd.readouterr().err.split())
    assert said.count("CAUTION: ") == 5
    assert f"1 of {items}: a dummy beam that carries 50 kN is in the frame" in said
    assert "the controller's own limits were read back" in said
    assert "Will somebody bring about: emergency stop" in said


@pytest.mark.parametrize("answers", [("n",), ("y", "y", "n"), ()])
def test_who_says_no_moves_nothing(terminal, monkeypatch, answers):
    terminal(*answers)
    if not answers:
        monkeypatch.setattr(sys.stdin, "readline", lambda: "")
    with pytest.raises(NotBegun, match="nothing was moved"):
        _order(PLAN, ASKED, emulated=False)


def test_also_an_emulated_rig_asks_for_a_word_where_somebody_is_there(terminal):
    terminal("A. Name", "prove")
    assert _order(PLAN, ASKED, emulated=True).who == "A. Name"
    terminal("A. Name", "yes")
    with pytest.raises(NotBegun, match='the word "prove" was not typed'):
        _order(PLAN, ASKED, emulated=True)


def test_the_longest_time_and_travel_of_each_row_are_told():
    said = proof_words(RIG, PROOF, ORDER)
    assert "  guard        51.2 ms    0.0044 mm  longest of 2; quickest 30.1 ms" in said
    assert "  watchdog    511.7 ms    0.0521 mm\n" in said
    assert "the rod moved at 0.1 to 0.1 mm/s" in said
    assert "not tried: leak: the rig file has no such input" in said
    assert "Valve closed, pressure off" in said
    assert "at most so long" not in said
    assert "at most so long" in proof_words(RIG, PROOF, replace(ORDER, emulated=False))


def test_what_went_wrong_is_told_last_and_loudest():
    wrong = replace(PROOF, surprise="leak: NOT STOPPED", troubles=("THE VALVE MAY BE OPEN",))
    said = proof_words(RIG, wrong, ORDER)
    assert "NOT PROVEN: leak: NOT STOPPED\n  nothing is kept; try once more: on a busy" in said
    real = proof_words(RIG, wrong, replace(ORDER, emulated=False))
    assert "nothing is kept; mend that, then prove the stops again" in real
    assert "LOOK AT THE RIG: THE VALVE MAY BE OPEN" in said
    assert "Valve closed" not in said
    assert proof_object(RIG, wrong, ORDER, DAY)["ok"] is False


def test_the_object_is_plain_and_in_si():
    told = json.loads(json.dumps(proof_object(RIG, PROOF, ORDER, DAY), allow_nan=False))
    assert (told["ok"], told["by"], told["date"]) == (True, 'A. "N" Name', "2026-11-29")
    assert told["rows"][0]["time_s"] == 0.0512
    assert [trial["travel_m"] for trial in told["rows"][0]["trials"]] == [3.01e-6, 4.4e-6]


@pytest.mark.parametrize("days", [None, 30])
def test_the_rig_file_keeps_what_was_found_never_rounded_down(tmp_path, days):
    path = tmp_path / "rig.toml"
    path.write_text((Path(__file__).parents[2] / "protocols/rigs/simulated.toml").read_text())
    rig = load_rig(str(path), lambda name: Path(name).read_text())
    if days is not None:
        old = proof_table(rig, PROOF, "B. Name", date(2026, 1, 1), days)
        keep_table(path, "proof_of_stopping", old)
        rig = load_rig(str(path), lambda name: Path(name).read_text())
    keep_table(path, "proof_of_stopping", proof_table(rig, PROOF, ORDER.who, DAY, 90))
    kept = load_rig(str(path), lambda name: Path(name).read_text()).trust.proven
    assert (kept.date, kept.by, kept.renew_after) == (DAY, 'A. "N" Name', days or 90)
    assert [(one.cause, one.repeats) for one in kept.rows] == [("guard", 2), ("watchdog", 1)]
    for one, found in zip(kept.rows, PROOF.rows, strict=True):
        assert found.time <= one.time < found.time + 1.01e-4
        assert found.travel <= one.travel < found.travel + 1.01e-7
