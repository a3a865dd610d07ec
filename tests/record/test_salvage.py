"""What is saved of a damaged journal, and that each thing lost is named."""

import shutil
import sqlite3
from pathlib import Path

import h5py
import numpy as np
import pytest

from rig.errors import StorageError
from rig.record import (
    Recorder,
    damage_in_journal,
    doubt_about_journal,
    read_journal,
    read_run,
    rebuild,
    salvage,
)
from tests.record.damage import ended, killed
from tests.record.runs import SAMPLED, header, likely_rows

PAGE = 4096


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """An ended and a killed run, not to be changed."""
    place = tmp_path_factory.mktemp("runs")
    return {"ended": ended(place / "ended"), "killed": killed(place / "killed")}


@pytest.fixture
def run(whole: dict[str, Path], tmp_path: Path) -> Path:
    return shutil.copytree(whole["ended"], tmp_path / "run")


@pytest.fixture
def cut_off(whole: dict[str, Path], tmp_path: Path) -> Path:
    return shutil.copytree(whole["killed"], tmp_path / "cut_off")


def change(folder: Path, statement: str) -> None:
    with sqlite3.connect(folder / "journal.db") as db:
        db.execute(statement)
    db.close()


def overwrite(path: Path, at: int, data: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)


def page_of(path: Path, text: bytes) -> int:
    """Where the page begins in which the last of some text stands."""
    return path.read_bytes().rindex(text) // PAGE * PAGE


def test_all_of_a_whole_journal_is_saved_and_nothing_is_lost(run: Path, cut_off: Path) -> None:
    for folder, rows in ((run, 5000), (cut_off, 8600)):
        assert damage_in_journal(folder) == ()
        assert doubt_about_journal(folder) == ""
        saved = salvage(folder, folder / "saved.h5")
        assert saved.lost == ()
        assert saved.rows["cycles"] == ((0, rows),)
        with read_journal(folder) as journal, h5py.File(folder / "saved.h5") as file:
            for kind in journal.tables:
                for name, column in journal.columns(kind).items():
                    assert file[kind][name][:].tobytes() == column.tobytes()
            assert file["texts/protocol"].asstr()[()] == header().texts["protocol"]
            texts = file["events"].fields("text")[:]
            assert [text.decode() for text in texts] == [e.text for e in journal.events()]
            (static,) = journal.static()
            assert file["samples/static/1"][:].tobytes() == static.values.tobytes()
            assert file["samples/full_rate/4"].shape == (len(SAMPLED), 0)
            assert len(file["holes"]) == 0


def test_a_zeroed_page_takes_its_own_rows_and_no_others(run: Path) -> None:
    path = run / "journal.db"
    overwrite(path, page_of(path, b"note 20"), bytes(PAGE))
    lost = salvage(run, run / "saved.h5").lost
    assert damage_in_journal(run) == lost[:-1]
    assert len(lost) == 2
    first, last = (int(word) for word in lost[0].split() if word.isdigit())
    assert lost[0] == f"lists: entries {first} to {last} are lost"
    assert lost[1] == "whether more was recorded after what is saved cannot be known"
    with h5py.File(run / "saved.h5") as file:
        seqs = {seq for kind in ("events", "spray", "zeros") for seq in file[kind]["seq"][:]}
        assert not seqs & {*range(first, last + 1)}
        assert {first - 1, last + 1} <= seqs
        assert file["holes"].fields("words")[:].tolist() == [line.encode() for line in lost]
        assert file["cycles/number"][:].tolist() == [*range(1, 5001)]


@pytest.mark.parametrize(
    ("statement", "lost"),
    [
        ("UPDATE chunk SET crc = crc + 1 WHERE kind = 'cycles' AND first = 0", "cycles 1 to 4096"),
        ("DELETE FROM chunk WHERE kind = 'cycles' AND first = 0", "cycles 1 to 4096"),
        ("DELETE FROM chunk WHERE kind = 'cycles' AND first > 0", "cycles 4097 to 5000"),
        ("UPDATE samples SET crc = 0 WHERE seq = 3", "stretches of samples: 3 to 3"),
        ("UPDATE meta SET crc = 0 WHERE key = 'restart'", "the restart point"),
    ],
)
def test_a_row_whose_checksum_fails_or_that_is_gone_is_named(
    run: Path, statement: str, lost: str
) -> None:
    change(run, statement)
    said = salvage(run, run / "saved.h5").lost
    assert said[0].startswith(lost)
    assert said[0].endswith(("are lost", "is lost"))


def test_a_damaged_index_of_sqlite_cannot_hide_the_last_rows(run: Path) -> None:
    path = run / "journal.db"
    with sqlite3.connect(path) as db:
        pages = dict(db.execute("SELECT name, rootpage FROM sqlite_master"))
    db.close()
    root = (pages["sqlite_autoindex_chunk_1"] - 1) * PAGE
    whole = path.read_bytes()
    at = root + whole[root : root + PAGE].rindex(b"cycles\x10\x00")
    overwrite(path, at, b"cyclez")
    with read_journal(run) as journal:
        assert journal.rows("cycles") < 5000
    assert damage_in_journal(run)
    with pytest.raises(StorageError, match="damaged"):
        rebuild(run)
    assert salvage(run, run / "saved.h5").rows["cycles"] == ((0, 5000),)


def test_a_journal_of_no_bytes_keeps_its_log(cut_off: Path) -> None:
    (cut_off / "journal.db").write_bytes(b"")
    log = (cut_off / "journal.db-wal").read_bytes()
    for look in (read_journal, rebuild, lambda folder: Recorder.reopen(folder, header())):
        with pytest.raises(StorageError, match=r"journal\.db: the journal is damaged: it is empty"):
            look(cut_off)
    assert "journal is damaged: it is empty" in damage_in_journal(cut_off)[-1]
    saved = salvage(cut_off, cut_off / "saved.h5")
    assert saved.rows["cycles"] == ((0, 8600),)
    assert (cut_off / "journal.db-wal").read_bytes() == log


def test_what_sqlite_forgets_of_a_damaged_log_is_seen_and_saved(cut_off: Path) -> None:
    log = cut_off / "journal.db-wal"
    overwrite(log, 32 + 4120 * 20 + 1000, b"damage")
    told = "journal.db-wal has lost its end: "
    assert damage_in_journal(cut_off)[0].startswith(told)
    # A look must not wipe out what tells of it.
    assert damage_in_journal(cut_off)[0].startswith(told)
    assert doubt_about_journal(cut_off) == ""
    with pytest.raises(StorageError, match=r"has lost its end.*keep a copy of the folder"):
        Recorder.reopen(cut_off, header())
    saved = salvage(cut_off, cut_off / "saved.h5")
    assert saved.rows["cycles"][-1][1] == 8600
    assert any(line.startswith(told) for line in saved.lost)
    with read_journal(cut_off) as journal:
        assert journal.rows("cycles") < 8600
    with h5py.File(cut_off / "saved.h5") as file:
        numbers = file["cycles/number"][:]
        rows = likely_rows(1, 5000)
        first = numbers <= 5000
        expected = rows["load_max"][numbers[first] - 1]
        np.testing.assert_array_equal(file["cycles/load_max"][:][first], expected)


@pytest.mark.parametrize("index", ["with", "without"])
def test_a_log_cut_off_is_told_as_certain_only_where_its_index_knows(
    cut_off: Path, index: str
) -> None:
    log = cut_off / "journal.db-wal"
    log.write_bytes(log.read_bytes()[:-5000])
    if index == "without":
        (cut_off / "journal.db-shm").unlink()
        assert damage_in_journal(cut_off) == ()
        doubt = doubt_about_journal(cut_off)
        assert doubt.startswith("journal.db-wal does not end with a whole commit: one was cut off")
        assert salvage(cut_off, cut_off / "saved.h5").lost == (doubt,)
    else:
        assert doubt_about_journal(cut_off) == ""
        assert "has lost its end" in damage_in_journal(cut_off)[0]


def test_without_its_header_the_sealed_rows_are_kept_as_they_are(run: Path) -> None:
    path = run / "journal.db"
    with sqlite3.connect(path) as db:
        body = db.execute("SELECT body FROM chunk WHERE kind = 'slow'").fetchone()[0]
    db.close()
    overwrite(path, 0, bytes(PAGE))
    overwrite(path, page_of(path, b"plank-7"), bytes(PAGE))
    saved = salvage(run, run / "saved.h5")
    assert saved.lost[0] == "the version of the format is lost"
    assert saved.lost[1].startswith("the header (what the columns are")
    with h5py.File(run / "saved.h5") as file:
        assert file["sealed/slow/0"][:].tobytes() == body
        assert set(file["sealed/cycles"]) == {"0", "4096"}
        assert len(file["events"]) > 30


def test_a_whole_run_file_beside_a_damaged_journal_is_named_as_holding_everything(
    run: Path,
) -> None:
    change(run, "UPDATE chunk SET crc = 0 WHERE kind = 'cycles' AND first = 4096")
    saved = salvage(run, run / "saved.h5")
    assert saved.lines()[-1] == f"{run / 'run.h5'} is whole and holds everything of the ended run"
    assert saved.lines()[1:3] == ("  cycles 1 to 4096", "  build_up 1 to 200")
    assert "lost: cycles 4097 to 5000 are lost" in saved.lines()
    overwrite(run / "run.h5", 5000, b"damage")
    (run / "saved.h5").unlink()
    assert salvage(run, run / "saved.h5").run_file.endswith("is not the file that was verified")


def test_what_was_saved_is_never_taken_for_a_run_nor_written_over(run: Path) -> None:
    salvage(run, run / "saved.h5")
    with pytest.raises(StorageError, match="format 'nightrig-salvage'"):
        read_run(run / "saved.h5")
    with pytest.raises(StorageError, match="is there already, nothing was written"):
        salvage(run, run / "saved.h5")
    recorder = Recorder.create(run.with_name("live"), header())
    with pytest.raises(StorageError, match="another process still writes"):
        salvage(recorder.folder, run / "other.h5")
    recorder.abandon()
