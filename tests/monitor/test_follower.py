"""Following the journal of a run that grows."""

import contextlib
import math
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import StorageError
from rig.monitor.curve import MOST_POINTS
from rig.monitor.view import Follower
from rig.record import Recorder
from rig.record.journal import JOURNAL
from rig.record.sealing import CHUNK_ROWS
from rig.record.status import Status
from rig.samples import Cycles, Flag
from tests.monitor.night_12 import CYCLING
from tests.record.runs import header, likely_rows


def softening(first: int, count: int) -> Cycles:
    """Rows whose stiffness falls by one N/m a cycle from 60 MN/m on, with noise of 0.01 %."""
    rows = likely_rows(first, count)
    number = np.arange(first, first + count)
    noise = np.random.default_rng(first).normal(0.0, 6e3, count)
    return rows.with_columns(stiffness=(60e6 - number + noise).astype("<f4"))


@pytest.mark.nights
@settings(max_examples=6)
@given(st.lists(st.integers(1, 9000), min_size=1, max_size=6), st.booleans())
def test_the_curve_follows_the_stiffness_however_the_rows_came_and_were_looked_at(
    tmp_path_factory, pieces, looks_between
):
    folder = tmp_path_factory.mktemp("runs") / "run"
    recorder = Recorder.create(folder, header())
    follower = Follower(folder)
    first = 1
    for piece in pieces:
        recorder.cycles(softening(first, piece))
        recorder.commit()
        first += piece
        if looks_between:
            follower.look()
    curve = follower.look().curve
    recorder.abandon()
    cycles, stiffness = np.array(curve.cycles), np.array(curve.stiffness)
    total = first - 1
    assert 0 < len(cycles) <= MOST_POINTS
    assert (np.diff(cycles) > 0).all()
    # The first and last stretch are at most a hundredth of the test and eight cycles long.
    assert cycles[0] <= total / 50 + 8
    assert cycles[-1] >= total - total / 50 - 8
    np.testing.assert_allclose(stiffness, 60e6 - cycles, atol=4 * 6e3)


def test_cycles_after_the_verdict_and_without_value_are_not_drawn(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    rows = softening(1, 64)
    stiffness = np.array(rows["stiffness"])
    flags = np.zeros(64, "<u2")
    stiffness[:8], flags[56:] = math.nan, Flag.AFTER_END
    recorder.cycles(rows.with_columns(stiffness=stiffness, flags=flags))
    recorder.commit()
    curve = Follower(tmp_path / "run").look().curve
    recorder.abandon()
    assert 8 < curve.cycles[0] < 18
    assert curve.cycles[-1] < 57


def test_a_look_shows_the_newest_status_and_events(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    follower = Follower(tmp_path / "run")
    for number in range(100):
        recorder.event(float(number), number, "note", f"note {number}")
    recorder.status(replace(CYCLING, cycles=7))
    recorder.commit()
    view = follower.look()
    assert (view.told, view.status.cycles, view.ending, view.alive) == (True, 7, None, True)
    assert [e.text for e in view.events[-2:]] == ["note 98", "note 99"]
    recorder.status(replace(CYCLING, cycles=8))
    recorder.commit()
    assert follower.look().status.cycles == 8
    recorder.abandon()


def test_a_run_that_ended_is_shown_with_its_end(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.cycles(likely_rows(1, 300))
    recorder.finish("run-out", "taken off", 300, 75.0)
    view = Follower(tmp_path / "run", lambda: False).look()
    assert view.ending is not None
    assert (view.ending.outcome, view.status.cycles, view.alive) == ("run-out", 300, False)


def test_a_run_that_keeps_no_status_is_shown_from_its_events_and_rows(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.event(12.0, 0, "state", "cycling, range reached: counting from cycle 1")
    rows = likely_rows(1, 300)
    recorder.cycles(rows)
    recorder.commit()
    view = Follower(tmp_path / "run").look()
    recorder.abandon()
    assert not view.told
    assert (view.status.state, view.status.why) == ("cycling", "counting from cycle 1")
    assert view.status.cycles == 300
    assert view.status.load_max == rows["load_max"][-1]
    assert view.rehearsal


def test_the_journal_is_not_held_open_between_looks(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.commit()
    recorder.abandon()
    follower = Follower(tmp_path / "run")
    follower.look()
    open_now = [p.resolve().name for p in Path("/proc/self/fd").iterdir() if p.is_symlink()]
    assert JOURNAL not in open_now


def test_a_journal_that_cannot_be_read_any_more_keeps_the_last_look(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.status(CYCLING)
    recorder.commit()
    follower = Follower(tmp_path / "run")
    before = follower.look()
    recorder.abandon()
    (tmp_path / "run" / JOURNAL).rename(tmp_path / "away.db")
    after = follower.look()
    assert JOURNAL in after.unreadable
    assert (after.status, after.now >= before.now) == (before.status, True)


def test_damaged_rows_hide_neither_the_rest_of_the_curve_nor_how_the_run_stands(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.cycles(softening(1, 2 * CHUNK_ROWS + 300))
    recorder.event(1.0, 7, "note", "all is well")
    recorder.status(replace(CYCLING, cycles=2 * CHUNK_ROWS))
    recorder.commit()
    with contextlib.closing(sqlite3.connect(tmp_path / "run" / JOURNAL)) as db, db:
        damaged = "UPDATE chunk SET body = zeroblob(length(body)) WHERE first = ?"
        assert db.execute(damaged, (CHUNK_ROWS,)).rowcount == 1
    follower = Follower(tmp_path / "run")
    for _ in range(2):
        view = follower.look()
        assert f"cycles rows {CHUNK_ROWS} to" in view.unreadable
        assert (view.status.cycles, view.events[-1].text) == (2 * CHUNK_ROWS, "all is well")
        cycles = np.array(view.curve.cycles)
        assert cycles[0] < CHUNK_ROWS / 50
        assert cycles[-1] > 2 * CHUNK_ROWS
        assert not ((cycles > 1.1 * CHUNK_ROWS) & (cycles < 1.9 * CHUNK_ROWS)).any()
    recorder.abandon()


def test_data_that_does_not_change_grows_old_whatever_the_clock_is_set_to(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    ahead = (datetime.now(UTC) + timedelta(hours=1)).isoformat()
    recorder.status(replace(CYCLING, stamp=ahead))
    recorder.commit()
    seconds = [0.0]
    follower = Follower(tmp_path / "run", seconds=lambda: seconds[0])
    assert follower.look().age == 0.0
    seconds[0] = 40.0
    assert follower.look().age == 40.0
    recorder.status(replace(CYCLING, stamp=ahead.replace("+00:00", "1+00:00")))
    recorder.commit()
    recorder.abandon()
    assert follower.look().age == 0.0


@pytest.mark.parametrize(("alive", "told"), [(False, "night-5"), (True, "")])
def test_which_run_has_the_rig_is_asked_once_a_run_is_no_more(tmp_path, alive, told):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.status(CYCLING)
    recorder.commit()
    asked = []

    def another(rig: str) -> str:
        asked.append(rig)
        return "night-5"

    view = Follower(tmp_path / "run", lambda: alive, another=another).look()
    recorder.abandon()
    assert view.another == told
    assert asked == ([] if alive else [CYCLING.rig])


def test_a_folder_without_a_run_is_told(tmp_path):
    with pytest.raises(StorageError, match=r"journal\.db"):
        Follower(tmp_path).look()


def test_the_speed_of_a_rehearsal_is_test_time_over_real_time(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    follower = Follower(tmp_path / "run")

    def told(seconds: int, test_time: float) -> Status:
        stamp = datetime(2026, 1, 1, 0, 0, seconds, tzinfo=UTC).isoformat()
        return replace(CYCLING, stamp=stamp, time=test_time, live=False)

    speeds = []
    for seconds, test_time in ((0, 0.0), (1, 1000.0), (2, 3000.0)):
        recorder.status(told(seconds, test_time))
        recorder.commit()
        speeds.append(follower.look().speed)
    recorder.abandon()
    assert math.isnan(speeds[0])
    assert speeds[1:] == [1000.0, 1500.0]
