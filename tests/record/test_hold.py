"""One writer a record, whoever else tries, until it has ended."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.record import (
    Recorder,
    damage_in_journal,
    doubt_about_journal,
    read_journal,
    rebuild,
    salvage,
    take_up,
)
from rig.record.journal import settle
from rig.record.recorder import complete
from tests.record.runs import header, likely_rows

ROOT = Path(__file__).parents[2]
BUSY = r"run: another process still writes the record; wait for its end"
WRITER = """
import sys
from pathlib import Path
from rig.record import Recorder
from tests.record.runs import header, likely_rows
recorder = Recorder.create(Path(sys.argv[1]), header())
recorder.cycles(likely_rows(1, 10))
recorder.commit()
print("committed", flush=True)
sys.stdin.read()
"""
SECOND: tuple[Callable[[Path], object], ...] = (
    lambda folder: Recorder.reopen(folder, header()),
    take_up,
    rebuild,
    complete,
    settle,
    damage_in_journal,
    doubt_about_journal,
    lambda folder: salvage(folder, folder / "saved.h5"),
)


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_nobody_else_writes_until_the_writing_process_has_ended(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    command = [sys.executable, "-c", WRITER, str(folder)]
    with subprocess.Popen(command, stdin=-1, stdout=-1, text=True, cwd=ROOT) as writer:
        assert writer.stdout is not None
        assert writer.stdout.readline() == "committed\n"
        before = files(folder)
        for second in SECOND:
            with pytest.raises(StorageError, match=BUSY):
                second(folder)
        assert files(folder) == before
        with read_journal(folder) as journal:
            assert journal.rows("cycles") == 10
        writer.kill()
    recorder = Recorder.reopen(folder, header())
    assert recorder.counted == 10
    recorder.abandon()
    settle(folder)


@pytest.mark.endurance
def test_a_recorder_that_ended_or_failed_or_was_dropped_lets_the_folder_go(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    recorder = Recorder.create(folder, header())
    with pytest.raises(StorageError, match=BUSY):
        Recorder.reopen(folder, header())
    recorder.abandon()
    dropped = Recorder.reopen(folder, header())
    del dropped
    recorder = Recorder.reopen(folder, header())
    recorder.cycles(likely_rows(1, 10))
    recorder.finish("operator", "asked to stop", 10, 2.0)
    rebuild(folder)
    (folder / "journal.db").rename(tmp_path / "kept.db")
    for _ in range(2):
        with pytest.raises(StorageError, match=r"journal\.db"):
            settle(folder)
    assert not (folder / "journal.db").exists()
    (tmp_path / "kept.db").rename(folder / "journal.db")
    rebuild(folder)


def test_a_folder_that_is_gone_is_named(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="run: there is no such folder; name"):
        settle(tmp_path / "run")
