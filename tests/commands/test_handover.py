"""`nightrig handover` as it is typed: refusals, JSON, real rehearsals and a real run."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from statistics import median

import pytest

from rig.clock import VIRTUAL_EPOCH
from rig.record.history import read_journal
from rig.report.handover.when import Zone, meant
from tests.assembly.nights import a_night, eventually
from tests.commands.cut_off import copy, said_by
from tests.readme import called, section, steps
from tests.report import handover_nights as nights

MORNING = "## In the morning: handover"
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory) -> Path:
    """The folder of a rehearsal of five minutes, on its own calendar, cut off."""
    night = nights.Night(until=nights.BEGINS + 300.0, events=[(700.0, "note", "A. Name: seen")])
    night.header = replace(
        nights.HEADER,
        virtual=True,
        simulated=True,
        seed=1,
        started_utc=VIRTUAL_EPOCH.isoformat(),
    )
    calendar = (VIRTUAL_EPOCH + timedelta(seconds=night.until)).isoformat()
    night.status = replace(nights.STATUS, live=False, calendar=calendar)
    folder = tmp_path_factory.mktemp("rehearsed") / "run"
    recorder = night.write(folder)
    recorder.status(replace(night.status, time=night.until, calendar=calendar))
    recorder.commit()
    recorder.abandon()
    return folder


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--since", "gargle"], "--since 'gargle': is no moment that is known here; give"),
        (["--until", "25:00"], "--until '25:00': is no moment"),
        (["--since", "today 18:16"], "today 18:16 has not come yet, it is 18:15; give one that is"),
        (["--since", "cycle 400"], "no such cycle in its record, which ends at 299; give another"),
        (["--since", "18:14", "--until", "18:12"], "is not before --until today 18:12; give"),
        (["--height", "3"], "there is no option --height"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_one_line(rehearsed, words, why):
    done = said_by("handover", str(rehearsed), *words)
    assert done.code == 2
    assert not done.out
    assert why in done.err
    assert len(done.err.strip().splitlines()) == 1


def test_no_run_and_a_refusal_as_json(rehearsed, tmp_path):
    assert "there is no such folder" in said_by("handover", str(tmp_path / "none")).err
    done = said_by("handover", str(rehearsed), "--since", "gargle", "--json")
    assert done.code == 2
    assert json.loads(done.out)["why"].startswith("--since 'gargle'")


def test_the_calendar_of_a_rehearsal_is_its_own(rehearsed):
    told = json.loads(said_by("handover", str(rehearsed), "--since", "18:12", "--json").out)
    assert told["now_utc"] == "2001-01-01T18:15:00+00:00"
    assert told["since"]["time_s"] == 12 * 60.0
    assert told["rehearsal"]
    numbers = {n["name"]: n for n in told["numbers"]}
    assert (numbers["cycles"]["then"], numbers["cycles"]["now"]) == (120.0, 299.0)
    assert numbers["load_max"]["unit"] == "N"
    assert numbers["load_max"]["now"] == pytest.approx(92.4e3)


def test_a_moment_before_the_start_is_the_start_and_said(rehearsed):
    done = said_by("handover", str(rehearsed), "--since", "Monday 07:00")
    assert done.code == 0
    assert "since      today 18:00, when it began" in done.out
    assert "note: today 07:00 was before its start" in done.out


def test_one_page_in_plain_letters_or_all_of_it(rehearsed):
    done = said_by("handover", str(rehearsed), "--since", "start", "--ascii")
    assert done.out.isascii()
    assert "A. Name: seen" in done.out
    whole = said_by("handover", str(rehearsed), "--since", "start", "--all").out
    assert "the test begins" in whole
    assert "--all" not in whole


def test_a_record_of_which_nothing_can_be_read_is_told_in_one_line(rehearsed, tmp_path):
    ruined = copy(rehearsed, tmp_path)
    for file in ruined.glob("journal.db-*"):
        file.unlink()
    (ruined / "journal.db").write_bytes(b"SQLite format 3\0" + bytes(5000))
    done = said_by("handover", str(ruined))
    assert done.code == 6
    assert len(done.err.strip().splitlines()) == 1
    assert "journal.db" in done.err


@pytest.mark.parametrize("command", ["handover", "watch", "replay"])
def test_what_a_damaged_record_says_controls_no_terminal(rehearsed, tmp_path, command):
    ruined = copy(rehearsed, tmp_path)
    with contextlib.closing(sqlite3.connect(ruined / "journal.db")) as journal:
        journal.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        # What SQLite cannot read of its own tables it quotes.
        journal.execute("PRAGMA writable_schema = ON")
        told = "\x1b]0;taken\x07 \x9b31m \u202e"
        change = "UPDATE sqlite_master SET name = ?, sql = 'x' WHERE name = 'entry'"
        journal.execute(change, (told,))
        journal.commit()
    done = said_by(command, str(ruined))
    assert done.code == 6
    assert "\\x1b]0;taken\\x07" in done.err
    assert all(line.isprintable() for line in done.err.split("\n"))


def test_every_moment_of_the_readme_is_one():
    table = re.findall(r"^\| (`.*?) \|", section(MORNING), re.MULTILINE)
    found = [word for row in table for word in re.findall(r"`([^`]+)`", row)][2:]
    assert len(found) == 12
    now = datetime(2026, 11, 30, 7, 0, tzinfo=UTC)
    moments = {words: meant(words, Zone(UTC, now)) for words in found}
    assert moments["18:00"].at == moments["yesterday 18:00"].at == moments["2026-11-29 18:00"].at
    assert moments["cycle 20000"].cycle == 20_000


@pytest.mark.parametrize(("every", "counted"), [(100, 10), (5000, 1)])
def test_of_cycles_that_were_seldom_written_down_those_near_by_count(tmp_path, every, counted):
    table = tmp_path / "seldom.csv"
    heads = "time [s],cycle,load_max [kN],load_min [kN],deflection_max [mm],deflection_min [mm]"
    most = [0.75 + 0.001 * i for i in range(30)]
    rows = [f"{every * i},{every * (i + 1)},90,10,{mm:.3f},0.05" for i, mm in enumerate(most)]
    table.write_text("\n".join([heads, *rows, ""]))
    out = tmp_path / "seldom"
    assert said_by("import", str(table), "--out", str(out)).code == 0
    for words, last in (("start", most), (f"cycle {every * 20}", most[:20])):
        told = json.loads(said_by("handover", str(out), "--since", words, "--json").out)
        numbers = {n["name"]: n for n in told["numbers"]}
        found = numbers["deflection_max"]["now" if last is most else "then"]
        assert found == pytest.approx(1e-3 * median(last[-counted:]), rel=1e-6)
        assert numbers["cycles"]["now" if last is most else "then"] == every * len(last)


EVENTS = """
title = "A pump that gives no water for a while; all data is invented"
[[event]]
kind = "no-flow"
at = "{missed} s"
for = "40 s"
[[event]]
kind = "no-flow"
at = "{tried} s"
for = "5 s"
"""


@pytest.mark.nights
def test_what_a_rehearsal_lets_happen_is_what_its_handover_tells(tmp_path):
    """Truth: the disturbances as scripted, and the schedule of the protocol."""
    protocol = (ROOT / "protocols/first-night.toml").read_text(encoding="utf-8")
    protocol = protocol.replace('run_out = "300 cycles"', 'run_out = "900 cycles"')
    protocol = protocol.replace('"specimens/', f'"{ROOT}/protocols/specimens/')
    protocol = protocol.replace('"series/', f'"{ROOT}/protocols/series/')
    (tmp_path / "p.toml").write_text(protocol, encoding="utf-8")
    plain = rehearsed_with(tmp_path, "plain", [])
    begins = [time for time, _ in wet(plain)]
    missed, tried = begins[2], begins[5]
    # Of the flow somebody looks 10 s after the water came on, and tries once more after 5 s.
    script = EVENTS.format(missed=missed - 1.0, tried=tried + 8.0)
    (tmp_path / "events.toml").write_text(script, encoding="utf-8")
    out = rehearsed_with(tmp_path, "told", ["--events", str(tmp_path / "events.toml")])
    told = json.loads(said_by("handover", str(out), "--since", "start", "--json").out)
    assert told["call"]["headline"] == "ENDED: RUN-OUT"
    water = [h for h in told["happened"] if h["importance"] == "water"]
    misses = [h for h in water if h["text"].startswith("spray period missed")]
    assert sum(h["count"] for h in misses) == 1
    assert missed <= misses[0]["begin_s"] <= missed + 30.0
    tries = [h for h in water if h["text"].endswith("will try again")]
    assert [h["count"] for h in tries] == [1]
    assert tried <= tries[0]["begin_s"] <= tried + 15.0
    numbers = {n["name"]: n for n in told["numbers"]}
    assert numbers["periods_missed"]["now"] == 1.0
    assert numbers["cycles"]["now"] == 900.0
    given = sum(volume for _, volume in wet(out))
    assert numbers["water_given"]["now"] == pytest.approx(given)
    assert numbers["water_given"]["now"] < sum(volume for _, volume in wet(plain))
    inspections = [h for h in told["happened"] if h["kind"] == "inspection"]
    assert [h["count"] for h in inspections] == [1]
    assert "nobody came" in inspections[0]["text"]
    # The period before the first disturbance is quiet.
    before = (VIRTUAL_EPOCH + timedelta(seconds=missed - 20.0)).isoformat()
    calm = said_by("handover", str(out), "--since", "start", "--until", before[:19], "--json").out
    assert not [h for h in json.loads(calm)["happened"] if h["importance"] in ("water", "sensor")]


def rehearsed_with(folder: Path, name: str, more: list[str]) -> Path:
    out = folder / name
    done = said_by("rehearse", str(folder / "p.toml"), "--out", str(out), "--seed", "3", *more)
    assert done.code == 0, done.err
    return out


def wet(folder: Path) -> list[tuple[float, float]]:
    """When water came on [s], and how much [m3]: as recorded."""
    with read_journal(folder) as journal:
        return [(row[0], row[2]) for row in journal.entries("spray")]


@pytest.mark.nights
def test_a_killed_rehearsal_and_one_that_went_on_tell_it(killed, closed):
    cut = said_by("handover", str(killed))
    assert "gone: its record breaks off here" in cut.out
    assert "nightrig resume" in cut.out
    told = json.loads(said_by("handover", str(closed), "--since", "start", "--json").out)
    assert any(h["kind"] == "taken up" or "taken up" in h["text"] for h in told["happened"])
    assert told["call"]["headline"] == "ENDED: RUN-OUT"


@pytest.mark.nights
@pytest.mark.timeout(240)
def test_the_morning_of_the_readme_reads_as_quoted(tmp_path):
    rehearse, handover = [s for s in steps(section(MORNING)) if s.kind == "command"]
    assert called(tmp_path, rehearse.text, 200).returncode == 0
    done = called(tmp_path, handover.text)
    assert done.stdout.splitlines() == handover.printed


@pytest.mark.endurance
@pytest.mark.xdist_group("live")
def test_a_live_run_that_people_ask_and_that_is_killed(tmp_path, monkeypatch):
    # Slow enough for a computer that has more to do: the rig must not trip, nor its test end.
    with a_night(tmp_path, run_out=100_000, pace=3) as night:
        monkeypatch.setenv("NIGHTRIG_SOCKETS", night.env["NIGHTRIG_SOCKETS"])
        night.start()
        night.until_state("cycling")
        out = str(night.out)
        asked = [
            ["pause", out, "--by", "A. Name", "--why", "look at the noise"],
            ["note", out, "\x1b[31mcrack\x1b[0m [bold]left[/bold]", "--by", "A. Name"],
            ["continue", out, "--by", "B. Night"],
        ]
        for words in asked:
            done = said_by(*words)
            assert done.code == 0, done.err
            if words[0] == "pause":
                night.until_state("paused")
        night.until_state("cycling")
        live = told_by(out)
        assert live["running"]
        pause = next(h for h in live["happened"] if h["kind"] == "pause")
        assert "continued by B. Night" in pause["text"]
        assert "paused by A. Name: look at the noise" in pause["text"]
        assert not [h for h in live["happened"] if h["importance"] == "request"]
        states = [e for e in night.events() if e.kind == "state"]
        begun = next(e.time for e in states if e.text.startswith("pausing"))
        ended = next(e.time for e in states if e.text.startswith("starting, continue"))
        assert (pause["begin_s"], pause["end_s"]) == (begun, ended)
        (note,) = live["notes"]
        assert "[bold]left[/bold]" in note["text"]
        assert [v["names"] for v in live["visits"]] == [["A. Name", "B. Night"]]
        os.kill(night.runner(), signal.SIGKILL)
        night.until_gone()
        eventually(lambda: not told_by(out)["running"], "a run that is gone")
        text = said_by("handover", out, "--since", "start").out
        assert "COME: ITS PROGRAM IS GONE" in text
        assert "\x1b" not in text
        assert datetime.fromisoformat(told_by(out)["now_utc"]).year >= 2026


def told_by(out: str) -> dict:
    done = said_by("handover", out, "--since", "start", "--json")
    assert done.code == 0, done.err
    return json.loads(done.out)
