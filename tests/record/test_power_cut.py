"""Nothing acknowledged is lost in a power cut, whatever of the rest the disk has written."""

import json
import random
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.record import (
    damage_in_journal,
    read_journal,
    rebuild,
    take_up,
    trouble_in_run_file,
)
from tests.record.power import Step, after_cut, recorded, said
from tests.record.runs import likely_rows

ROOT = Path(__file__).parents[2]
PROGRAM = """
import json, sys
from pathlib import Path
from rig.record import Recorder, journal, take_up
from tests.record.runs import header, likely_rows

connect = journal._connect

def connected(path):
    # A log that is taken back every few commits, not every 4 MB.
    db = connect(path)
    db.execute("PRAGMA wal_autocheckpoint=12")
    return db

def say(**what):
    print(json.dumps(what), flush=True)

def night(recorder, commits):
    for _ in range(commits):
        recorder.cycles(rows.part(recorder.counted, recorder.counted + 700))
        recorder.restart_point({"tail": bytes(5000)})
        recorder.event(1.0, recorder.counted, "note", f"after {recorder.counted}")
        recorder.commit()
        say(rows=recorder.counted, ended=False)

journal._connect = connected
folder, rows = Path(sys.argv[1]), likely_rows(1, 10_000)
recorder = Recorder.create(folder, header())
say(rows=0, ended=False)
night(recorder, 7)
recorder.finish("operator", "asked to stop", recorder.counted, 9.0)
say(rows=recorder.counted, ended=True)
take_up(folder, {"cycles": 4500})
say(rows=4500, ended=False)
recorder = Recorder.reopen(folder, header())
night(recorder, 3)
recorder.finish("operator", "asked to stop", recorder.counted, 19.0)
say(rows=recorder.counted, ended=True)
"""
ROWS = likely_rows(1, 10_000)


@pytest.fixture(scope="module")
def steps(tmp_path_factory: pytest.TempPathFactory) -> list[Step]:
    strace = shutil.which("strace")
    if strace is None:
        return []
    place = tmp_path_factory.mktemp("power")
    command = [sys.executable, "-c", PROGRAM, str(place / "run")]
    return recorded(command, strace, place / "run", place / "calls")


def states(steps: list[Step]) -> list[dict[str, object]]:
    return [json.loads(line) for line in said(steps)]


def moment_to_cut(steps: list[Step], chance: random.Random) -> int:
    """Anywhere; often just when something was acknowledged, which is when most is promised."""
    told = [number for number, step in enumerate(steps, start=1) if step.what == "say"]
    return chance.choice([chance.choice(told), chance.randrange(1, len(steps) + 1)])


def cut(steps: list[Step], place: Path, seed: int) -> None:
    """Cut the power at a seeded moment and hold what is left against what was acknowledged."""
    chance = random.Random(seed)
    moment = moment_to_cut(steps, chance)
    before, every = states(steps[:moment]), states(steps)
    may_be = every[max(len(before) - 1, 0) : len(before) + 1]
    left = after_cut(steps[:moment], chance)
    made = Path(next(step.path for step in steps if step.what == "folder"))
    for path, content in left.items():
        here = place / Path(path).relative_to(made.parent)
        if content is None:
            here.mkdir()
        elif not path.endswith("-shm"):
            # The index of the log is never synced, and made anew.
            here.write_bytes(content)
    run = place / "run"
    if not before and not (run / "journal.db").exists():
        return
    assert damage_in_journal(run) == ()
    with read_journal(run) as journal:
        columns = journal.columns("cycles")
        rows = len(columns["number"])
        state = {"rows": rows, "ended": journal.ending is not None}
        assert state in may_be
        for name, column in columns.items():
            assert column.tobytes() == ROWS[name][:rows].tobytes()
        texts = [event.text for event in journal.events()]
    counts = {state["rows"] for state in before} - {0, 4500}
    assert {f"after {count}" for count in counts} <= {*texts}
    look_at_run_file(run, steps, moment, state)


def look_at_run_file(run: Path, steps: list[Step], moment: int, state: dict[str, object]) -> None:
    said, trouble = states(steps[:moment]), trouble_in_run_file(run)
    if said[-1:] == [state] and state["ended"] and trouble:
        # It is taken up again, and run.h5 goes first.
        assert said[-1] != states(steps)[-1]
        assert trouble.endswith("is missing")
    assert state["ended"] or trouble or not (run / "run.h5").exists()
    if moment % 5 == 0:
        take_up(run)
        assert not (run / "run.h5").exists()
        rebuild(run)
        assert trouble_in_run_file(run) == ""


def cut_often(steps: list[Step], place: Path, seeds: range) -> None:
    for seed in seeds:
        (place / str(seed)).mkdir()
        cut(steps, place / str(seed), seed)
        shutil.rmtree(place / str(seed))


@pytest.mark.nights
@pytest.mark.system
def test_what_was_acknowledged_outlives_a_power_cut(
    steps: list[Step], system_program: Callable[[str], str], tmp_path: Path
) -> None:
    system_program("strace")
    assert len(states(steps)) == 14
    cut_often(steps, tmp_path, range(16))


@pytest.mark.system
@pytest.mark.endurance
def test_what_was_acknowledged_outlives_hundreds_of_power_cuts(
    steps: list[Step], system_program: Callable[[str], str], tmp_path: Path
) -> None:
    system_program("strace")
    cut_often(steps, tmp_path, range(16, 700))


@pytest.mark.system
@pytest.mark.parametrize("name", ["journal.db", "journal.db-wal", "run.h5.new", "run"])
@pytest.mark.endurance
def test_a_record_without_one_of_its_syncs_is_seen_to_lose_something(
    steps: list[Step], system_program: Callable[[str], str], tmp_path: Path, name: str
) -> None:
    system_program("strace")
    careless = [s for s in steps if not (s.what == "sync" and Path(s.path).name == name)]
    for seed in range(60):
        place = tmp_path / str(seed)
        place.mkdir()
        try:
            cut(careless, place, seed)
        except (AssertionError, StorageError):
            return
    pytest.fail("nobody would notice")
