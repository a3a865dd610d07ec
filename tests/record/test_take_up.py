"""A record that stopped is made ready to go on, whole or not at all."""

import signal
import sqlite3
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.record import Recorder, read_journal, read_run, rebuild, take_up
from tests.record.runs import datasets, header, likely_rows, record_everything

ROOT = Path(__file__).parents[2]
END = ("operator", "asked to stop")
KILLED = """
import os, signal, sys
from pathlib import Path
from rig.record import journal

take_up = sys.modules["rig.record.take_up"]

def die(*_):
    os.kill(os.getpid(), signal.SIGKILL)

def after(done):
    def call(*arguments):
        done(*arguments)
        die()
    return call

folder, where = Path(sys.argv[1]), sys.argv[2]
unlink, commit = Path.unlink, journal.JournalWriter.commit
if where == "before run.h5 goes":
    take_up._take_run_file_away = die
if where == "run.h5 is gone":
    Path.unlink = lambda path, missing_ok: (unlink(path, missing_ok=missing_ok), die())
if where == "its name is synced":
    take_up.sync_folder = after(take_up.sync_folder)
if where == "before the transaction":
    journal.JournalWriter.commit = die
if where == "after the transaction":
    journal.JournalWriter.commit = after(commit)
take_up.take_up(folder, {"cycles": 4500, "build_up": 150, "slow": 0})
"""
WHERE = (
    "before run.h5 goes",
    "run.h5 is gone",
    "its name is synced",
    "before the transaction",
    "after the transaction",
)


def ended(folder: Path) -> Path:
    """A finished run with something of every kind: 5000 cycles, 200 of build-up, 2 slow rows."""
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    recorder.restart_point({"next": 5001})
    return recorder.finish(*END, 5000, 60.0)


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.mark.parametrize(
    "keep",
    [
        None,
        {"cycles": 5000},
        {"cycles": 4999, "build_up": 199, "slow": 1},
        {"cycles": 4097},
        {"cycles": 4096, "build_up": 0},
        {"cycles": 4095},
        {"cycles": 1, "slow": 0},
        {"cycles": 0, "build_up": 1},
    ],
    ids=str,
)
def test_a_cut_record_goes_on_as_one_that_never_had_the_rows(
    tmp_path: Path, keep: Mapping[str, int] | None
) -> None:
    ended(tmp_path / "run")
    take_up(tmp_path / "run", keep)
    kept = {"cycles": 5000, "build_up": 200, "slow": 2, **(keep or {})}
    assert names(tmp_path / "run") == {"journal.db"}
    with read_journal(tmp_path / "run") as journal:
        assert journal.ending is None
        assert journal.run_file is None
        assert journal.restart_point is not None
        assert [event.kind for event in journal.events()] == ["state", "note"]
        assert {kind: journal.rows(kind) for kind in kept} == kept
    recorder = Recorder.reopen(tmp_path / "run", header())
    assert recorder.counted == kept["cycles"]
    assert names(tmp_path / "run" / "segments") == {"0001.h5"}
    other = Recorder.create(tmp_path / "other", header())
    record_everything_but(other, kept)
    for each in (recorder, other):
        each.cycles(likely_rows(1, 9000).part(kept["cycles"], 9000))
        each.build_up(likely_rows(1, 30))
        each.slow(90.0, {"temperature_air": 290.0})
    found = [
        datasets(each.finish("run-out", "taken off", 9000, 99.0)) for each in (recorder, other)
    ]
    assert found[0] == found[1]


def record_everything_but(recorder: Recorder, kept: Mapping[str, int]) -> None:
    """What `record_everything` records, with only the first rows of each table."""

    class Less:
        def __getattr__(self, name: str) -> object:
            return getattr(recorder, name)

        def cycles(self, rows):
            recorder.cycles(rows.part(0, kept["cycles"]))

        def build_up(self, rows):
            recorder.build_up(rows.part(0, kept["build_up"]))

        def slow(self, time, values):
            if time <= kept["slow"]:
                recorder.slow(time, values)

    record_everything(Less())


def test_a_record_killed_at_work_is_taken_up_from_the_pieces_of_its_tail(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    for first in range(0, 6000, 500):
        recorder.cycles(likely_rows(1, 6000).part(first, first + 500))
        recorder.commit()
    recorder.abandon()
    take_up(tmp_path / "run", {"cycles": 4750})
    recorder = Recorder.reopen(tmp_path / "run", header())
    recorder.cycles(likely_rows(1, 6000).part(4750, 6000))
    with read_run(recorder.finish(*END, 6000, 60.0)) as run:
        for name, column in likely_rows(1, 6000).columns.items():
            assert run.column(name).tobytes() == column.tobytes(), name


def test_killed_anywhere_it_can_be_called_again_and_no_run_file_pretends(tmp_path: Path) -> None:
    whole = datasets(ended(tmp_path / "whole"))
    take_up(tmp_path / "whole", {"cycles": 4500, "build_up": 150, "slow": 0})
    rows = {}
    for number, where in enumerate(WHERE):
        folder = tmp_path / str(number)
        ended(folder)
        command = [sys.executable, "-c", KILLED, str(folder), where]
        result = subprocess.run(command, check=False, cwd=ROOT, capture_output=True)
        assert result.returncode == -signal.SIGKILL, result.stderr
        with read_journal(folder) as journal:
            rows[where] = journal.rows("cycles")
            over = journal.ending is not None
        if (folder / "run.h5").exists():
            assert rows[where] == 5000
            assert over
        if over:
            # Nobody need go on with it: the ended run is still there to the last bit.
            assert datasets(rebuild(folder)) == whole
        take_up(folder, {"cycles": min(4500, rows[where]), "build_up": 150, "slow": 0})
        assert datasets(rebuild(folder)) == datasets(rebuild(tmp_path / "whole"))
    assert [*rows.values()] == [5000, 5000, 5000, 5000, 4500]


@pytest.mark.parametrize(
    "keep", [{"cycles": 5001}, {"cycles": -1}, {"build_up": 201}, {"slow": 3}], ids=str
)
def test_more_rows_than_there_are_cannot_be_kept(tmp_path: Path, keep: dict[str, int]) -> None:
    ended(tmp_path / "run")
    before = {path.name: path.read_bytes() for path in (tmp_path / "run").iterdir()}
    with pytest.raises(StorageError, match="cannot be kept, there are"):
        take_up(tmp_path / "run", keep)
    assert {path.name: path.read_bytes() for path in (tmp_path / "run").iterdir()} == before


@pytest.mark.parametrize(
    ("change", "names"),
    [
        ("UPDATE chunk SET body = zeroblob(length(body)) WHERE kind = 'slow'", "slow rows 0 to 2"),
        ("DELETE FROM chunk WHERE kind = 'cycles' AND first = 0", "cycles rows 0 to 4096"),
        ("UPDATE entry SET seq = 9 WHERE seq = 3", "inspections? .*is missing|missing"),
        (
            "UPDATE samples SET head = replace(head, '30', '31') WHERE seq = 2",
            "full_rate samples 2",
        ),
        ("DELETE FROM samples WHERE seq = 2", "samples 2 are missing"),
        ("UPDATE meta SET crc = crc + 1 WHERE key = 'restart'", "restart"),
    ],
)
def test_a_damaged_journal_is_never_cut(tmp_path: Path, change: str, names: str) -> None:
    path = ended(tmp_path / "run")
    with sqlite3.connect(tmp_path / "run" / "journal.db") as db:
        db.execute(change)
    db.close()
    before = (tmp_path / "run" / "journal.db").read_bytes(), path.read_bytes()
    with pytest.raises(StorageError, match=rf"journal\.db.*damaged.*({names})"):
        take_up(tmp_path / "run", {"cycles": 10})
    assert ((tmp_path / "run" / "journal.db").read_bytes(), path.read_bytes()) == before


def test_a_record_that_is_still_written_is_not_taken_up(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    with pytest.raises(StorageError, match="another process still writes the record"):
        take_up(tmp_path / "run")
    recorder.abandon()
    take_up(tmp_path / "run")
    with pytest.raises(StorageError, match="there is no such folder"):
        take_up(tmp_path / "nowhere")
