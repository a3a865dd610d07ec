"""`replay --speed`: a recording on the live screen, as it went; its keys on a pseudo-terminal."""

from __future__ import annotations

import json
import math
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from rig.assembly import rehearse
from rig.assembly.stand_in import plan_on, stand_in
from rig.commands.replay_screen import Film, speed_of
from rig.monitor.curve import CurveKeeper
from rig.monitor.happened import event_words
from rig.monitor.view import Playing, View
from rig.record import read_journal
from rig.replay.recording import open_recording
from tests.assembly.nights import COMMAND, PATIENCE, a_night
from tests.assembly.recordings import protocol, recording, softening
from tests.commands.test_watch import CTRL_C, NO_SCREEN

PLAYING = Playing(1.0, 100.0)


@pytest.fixture(scope="module")
def rows(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of rows without events, as an import leaves it."""
    return recording(tmp_path_factory.mktemp("rows") / "run", softening(400))


@pytest.fixture(scope="module")
def short_test(rows: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a short test that fails at some 380 cycles."""
    folder = tmp_path_factory.mktemp("test")
    (folder / "protocol.toml").write_text(protocol())
    found = stand_in(rows)
    plan = plan_on(found, str(folder / "protocol.toml"), lambda p: Path(p).read_text())
    rehearse(plan, folder / "run", 1, specimen=found)
    return folder / "run"


def views(source: Path, times: list[float]) -> list[View]:
    with open_recording(source) as opened:
        film = Film(opened)
        return [film.view(min(time, film.end), PLAYING) for time in times]


@pytest.mark.xdist_group("replay-speed")
def test_each_moment_shows_what_had_been_recorded_by_then(short_test):
    with read_journal(short_test) as journal:
        times, numbers = (journal.columns("cycles")[n] for n in ("time", "number"))
        events, ending = journal.events(), journal.ending
        keeper = CurveKeeper()
        keeper.take(journal)
    end = ending.ended_time
    asked = [0.0, 20.0, float(times[0]), float(times[100]), float(times[250]), end - 1.0, end]
    for time, view in zip(asked, views(short_test, asked), strict=True):
        known = numbers[times <= time]
        assert view.status.cycles == min(known[-1] if len(known) else 0, ending.cycles)
        assert list(view.events) == [e for e in events if e.time <= time][-60:]
        assert (view.ending is not None) == (time >= end)
    last = views(short_test, [end])[0]
    assert (last.ending.outcome, last.ending.cycles) == (ending.outcome, ending.cycles)
    assert last.curve == keeper.curve()
    cycling = views(short_test, [float(times[250])])[0].status
    assert cycling.state == "cycling"
    assert cycling.load_max == pytest.approx(52.8e3, rel=0.02)
    assert cycling.baseline == pytest.approx(4e7, rel=0.05)
    assert cycling.stiffness < cycling.baseline
    assert {a.channel for a in cycling.limits} == {"load", "deflection"}
    assert all(a.low < a.least < a.most < a.high for a in cycling.limits)


@pytest.mark.xdist_group("replay-speed")
def test_going_from_event_to_event_and_bit_by_bit_shows_the_same(short_test):
    with open_recording(short_test) as opened:
        film, stops = Film(opened), [0.0]
        while (there := film.next_event(stops[-1])) is not None:
            stops.append(there)
    fine = sorted({*stops, *np.linspace(0.0, stops[-1], 500).tolist()})
    quick = views(short_test, stops)
    slow = dict(zip(fine, views(short_test, fine), strict=True))
    assert len(stops) > 8
    for time, view in zip(stops, quick, strict=True):
        same = slow[time]
        assert str(view.status) == str(same.status)
        assert (view.events, view.ending) == (same.events, same.ending)
        assert view.curve == same.curve


@pytest.mark.xdist_group("replay-speed")
def test_a_run_file_alone_shows_the_same(short_test):
    times = [15.0, 40.0, 60.0, 1e9]
    for one, other in zip(
        views(short_test, times), views(short_test / "run.h5", times), strict=True
    ):
        assert str(one.status) == str(other.status)
        assert (one.events, one.curve) == (other.events, other.curve)


@pytest.mark.xdist_group("replay-speed")
def test_rows_without_events_cycle_up_to_the_last_one(rows):
    begun, middle, last = views(rows, [0.5, 20.0, 1e9])
    assert (begun.status.cycles, middle.status.cycles, last.status.cycles) == (5, 200, 400)
    assert middle.status.state == "cycling"
    assert middle.status.load_max == pytest.approx(52.8e3)
    assert last.status.time == pytest.approx(40.0)
    assert last.ending is not None


@pytest.mark.xdist_group("replay-speed")
def test_a_recording_of_the_world_shows_times_in_the_zone_of_who_looks(rows):
    with open_recording(rows) as opened:
        opened.header = replace(opened.header, started_utc="2026-07-01T22:30:00+00:00")
        view = Film(opened).view(0.0, PLAYING)
    assert not view.own_calendar
    assert view.calendar == view.local(view.calendar)
    assert view.calendar.utcoffset() is not None


def nightrig(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [*COMMAND, *arguments]
    return subprocess.run(
        command, cwd=cwd, capture_output=True, text=True, timeout=PATIENCE, check=False
    )


@pytest.mark.parametrize("speed", ["0", pytest.param("quick", marks=pytest.mark.nights)])
def test_what_is_no_speed_is_refused_in_one_line(short_test, tmp_path, speed):
    done = nightrig("replay", str(short_test), "--speed", speed, cwd=tmp_path)
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert f"--speed: '{speed}' is no speed" in done.stderr


@pytest.mark.nights
def test_without_a_terminal_it_is_told_in_lines_and_judged_then(short_test, tmp_path):
    done = nightrig("replay", str(short_test), "--speed", "max", "--json", cwd=tmp_path)
    assert done.returncode == 0
    assert json.loads(done.stdout)["recorded"]["outcome"] == "failure"
    lines = done.stderr.splitlines()
    assert "[RECORDING OF A REHEARSAL]" in lines[0]
    assert any("loads reached" in line for line in lines)
    ends = [line for line in lines if line.startswith("RECORDING, NOT A RUNNING TEST")]
    assert "below the baseline" in ends[-1]


@pytest.fixture
def night(tmp_path):
    with a_night(tmp_path, run_out=100) as night:
        yield night


@pytest.mark.nights
@pytest.mark.xdist_group("serial")
def test_keys_pause_it_and_go_from_event_to_event_to_its_end(night, short_test):
    terminal = night.on_terminal([*COMMAND, "replay", str(short_test), "--speed", "2"])
    terminal.until("NOT A RUNNING TEST")
    terminal.until("space pauses, n goes to the next event, q leaves")
    terminal.press(b" ")
    terminal.until("PAUSED")
    terminal.until("space goes on")
    terminal.press(b"nn")
    terminal.until("towards the specimen")
    terminal.press(b"n" * 60)
    terminal.until("at its end")
    terminal.press(b"q")
    assert terminal.code() == 0
    said = terminal.seen.rpartition(NO_SCREEN)[2]
    assert "recorded  failure" in said
    assert "replayed  failure" in said
    terminal.close()


@pytest.mark.nights
@pytest.mark.xdist_group("serial")
@pytest.mark.parametrize("key", [b"q", CTRL_C])
def test_whoever_leaves_before_its_end_is_told_how_to_judge_it(night, short_test, key):
    terminal = night.on_terminal([*COMMAND, "replay", str(short_test), "--speed", "1"])
    terminal.until("NOT A RUNNING TEST")
    terminal.press(key)
    assert terminal.code() == 0
    said = terminal.seen.rpartition(NO_SCREEN)[2]
    assert "left before its end; to judge it: nightrig replay" in " ".join(said.split())
    terminal.close()


@pytest.mark.xdist_group("replay-speed")
def test_a_speed_without_end_is_as_fast_as_it_goes(short_test):
    assert speed_of("max") == math.inf
    assert speed_of("0.5") == 0.5


@pytest.mark.xdist_group("replay-speed")
def test_the_event_to_come_is_named_as_in_the_list_of_events(short_test):
    with read_journal(short_test) as journal:
        event = next(e for e in journal.events() if e.kind in ("stiffness-loss", "static"))
    (coming,) = views(short_test, [event.time - 0.01])[0].status.coming
    assert coming.what == f"event: {event_words(event)[0]}"
    assert event.kind not in coming.what
