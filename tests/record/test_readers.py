"""Who reads a journal while it is written, and while it is finished, harms neither."""

import asyncio
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.record import Recorder, RemoteRecorder, read_journal, read_run, rebuild
from tests.record.recorders import until
from tests.record.runs import header, likely_rows

ROOT = Path(__file__).parents[2]
ROWS = likely_rows(1, 12_000)
END = ("operator", "asked to stop")
LOOKING = """
import sys, time
from pathlib import Path
from rig.record import read_journal

looks = done = 0
after = int(sys.argv[2])
while after:
    with read_journal(Path(sys.argv[1])) as journal:
        number = journal.columns("cycles")["number"].tolist()
        assert number == [*range(1, len(number) + 1)], number
        assert len(number) >= done, "rows went away"
        done = len(number)
        after -= journal.ending is not None
        status = journal.status
        assert status is None or status.cycles <= done
    looks += 1
    print(looks, done, flush=True)
    time.sleep(float(sys.argv[3]))
"""


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def expect_whole(folder: Path, rows: int) -> None:
    """Every row bit for bit: in run.h5, and in a copy of journal.db without anything beside it."""
    assert names(folder) == {"journal.db", "run.h5"}
    # SQLite's file format: 1 and 1 where no log belongs to it, so that any program can read it
    # out of a folder that cannot be written.
    assert (folder / "journal.db").read_bytes()[18:20] == b"\1\1"
    alone = folder.with_name("alone")
    alone.mkdir()
    shutil.copy(folder / "journal.db", alone)
    with read_run(folder) as run, read_journal(alone) as journal:
        assert journal.ending is not None
        assert (run.rows(), run.outcome, journal.ending.outcome) == (rows, END[0], END[0])
        columns = journal.columns("cycles")
        for name, column in ROWS.columns.items():
            expected = column[:rows].tobytes()
            assert run.column(name).tobytes() == columns[name].tobytes() == expected, name


@contextmanager
def held(folder: Path) -> Iterator[sqlite3.Connection]:
    """Another program that reads the journal and has not come to an end of it."""
    db = sqlite3.connect(f"file:{folder}/journal.db?mode=ro", uri=True, isolation_level=None)
    db.execute("BEGIN")
    db.execute("SELECT count(*) FROM chunk").fetchone()
    try:
        yield db
    finally:
        db.close()


@pytest.mark.nights
async def test_a_finish_waits_for_a_reader_and_leaves_one_file_of_the_journal(
    tmp_path: Path,
) -> None:
    recorder = await RemoteRecorder.create(tmp_path / "run", header())
    recorder.cycles(ROWS.part(0, 5000))
    await recorder.synced()
    with held(tmp_path / "run") as db:
        recorder.cycles(ROWS.part(5000, 9000))
        finishing = asyncio.get_running_loop().create_task(recorder.finish(*END, 9000, 9.0))
        await until((tmp_path / "run" / "run.h5").exists)
        await until(lambda: not (tmp_path / "run" / "segments").exists())
        assert not finishing.done()
        # Whoever leaves last takes the log away, and a reader may not.
        db.execute("COMMIT")
        await asyncio.wait({finishing}, timeout=0.2)
        assert not finishing.done()
    await finishing
    expect_whole(tmp_path / "run", 9000)


@pytest.mark.nights
def test_a_reader_that_never_lets_go_fails_no_finish_and_leaves_the_log(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    recorder = Recorder.create(folder, header())
    recorder.cycles(ROWS.part(0, 3000))
    recorder.commit()
    with held(folder) as db:
        recorder.cycles(ROWS.part(3000, 9000))
        recorder.finish(*END, 9000, 9.0, readers=0.1)
        assert db.execute("SELECT sum(rows) FROM chunk").fetchone() == (3000,)
    assert names(folder) == {"journal.db", "journal.db-shm", "journal.db-wal", "run.h5"}
    with read_journal(folder) as journal:
        assert journal.ending is not None
        assert journal.columns("cycles")["number"].tolist() == [*range(1, 9001)]
    rebuild(folder)
    expect_whole(folder, 9000)


def test_a_program_that_has_the_journal_open_and_reads_nothing_leaves_it_whole(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "run"
    recorder = Recorder.create(folder, header())
    recorder.cycles(ROWS.part(0, 9000))
    with held(folder) as db:
        db.execute("COMMIT")
        recorder.finish(*END, 9000, 9.0, readers=0.1)
        assert (folder / "journal.db-wal").stat().st_size == 0
    shutil.copy(folder / "journal.db", tmp_path)
    with read_journal(tmp_path) as journal:
        assert journal.ending is not None
        assert journal.columns("cycles")["number"].tolist() == [*range(1, 9001)]


@pytest.mark.nights
async def test_readers_that_come_and_go_see_whole_rows_and_are_in_nobodys_way(
    tmp_path: Path,
) -> None:
    recorder = await RemoteRecorder.create(tmp_path / "run", header())
    command = [sys.executable, "-c", LOOKING, str(tmp_path / "run"), "5"]
    options = {"stdout": subprocess.PIPE, "text": True, "cwd": ROOT}
    readers = [subprocess.Popen([*command, pause], **options) for pause in ("0.1", "0.01")]
    for reader in readers:
        assert reader.stdout is not None
        assert reader.stdout.readline() == "1 0\n"
    for first in range(0, 12_000, 150):
        recorder.cycles(ROWS.part(first, first + 150))
        recorder.commit()
        await asyncio.sleep(0.005)
    await recorder.finish(*END, 12_000, 9.0)
    for reader in readers:
        said, _ = reader.communicate()
        looks, rows = map(int, said.split("\n")[-2].split())
        assert (reader.returncode, rows) == (0, 12_000)
        assert looks > 5
    expect_whole(tmp_path / "run", 12_000)


@pytest.mark.nights
async def test_a_log_that_grows_because_somebody_reads_on_is_told(
    tmp_path: Path,
) -> None:
    program = "from rig.record import process; process.LONG_LOG = 2_000_000; process.main()"
    command = [sys.executable, "-c", program]
    recorder = await RemoteRecorder.create(tmp_path / "run", header(), command=command)
    with held(tmp_path / "run"):
        for number in range(10):
            recorder.restart_point({"tail": bytes(600_000), "number": number})
            await recorder.synced()
    path = await recorder.finish(*END, 0, 9.0)
    with read_run(path) as run:
        said = [event.text for event in run.events() if event.kind == "record"]
    # 0.8 MB of text each: told at 2 MB and at twice of what it was then.
    assert len(said) == 2
    assert all("run/journal.db-wal has" in text and "end that program" in text for text in said)
    assert names(tmp_path / "run") == {"journal.db", "run.h5"}


@pytest.mark.nights
def test_a_reader_frozen_for_the_whole_run_only_lets_the_log_grow(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    recorder = Recorder.create(folder, header())
    log = folder / "journal.db-wal"
    with held(folder) as db:
        for first in range(0, 12_000, 80):
            recorder.cycles(ROWS.part(first, first + 80))
            recorder.restart_point({"tail": bytes(30_000)})
            recorder.commit()
        # What is committed is there for everybody who comes later.
        with read_journal(folder) as journal:
            assert journal.rows("cycles") == 12_000
        assert log.stat().st_size > 150 * 40_000
        assert (folder / "journal.db").stat().st_size < 100_000
        assert db.execute("SELECT count(*) FROM chunk").fetchone() == (0,)
    recorder.finish(*END, 12_000, 9.0)
    expect_whole(folder, 12_000)


@contextmanager
def rights_of_an_ordinary_user() -> Iterator[None]:
    """Root may read anything: it becomes somebody else meanwhile."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


@pytest.fixture
def open_to_all() -> Iterator[Path]:
    """A folder on the way to which everybody may go."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


def test_what_may_not_be_read_is_named_with_the_missing_right(open_to_all: Path) -> None:
    recorder = Recorder.create(open_to_all / "written", header())
    recorder.commit()
    # Who writes reads its own files on.
    folder = shutil.copytree(open_to_all / "written", open_to_all / "run")
    recorder.abandon()
    (journal, log, shared) = (folder / f"journal.db{end}" for end in ("", "-wal", "-shm"))
    rights = {folder: 0o755, journal: 0o644, log: 0o644, shared: 0o644}
    for denied, right in ((folder, "enter"), (journal, "read"), (log, "read"), (shared, "read")):
        for path, mode in rights.items():
            path.chmod(0 if path == denied else mode)
        with rights_of_an_ordinary_user(), pytest.raises(StorageError) as refused:
            read_journal(folder)
        assert str(refused.value).endswith(f"; you may not {right} {denied}: ask its owner")
    folder.chmod(0o755)
