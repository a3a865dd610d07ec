"""The newest status of a run, and the few newest things of a long one, out of its journal."""

import sqlite3
import zlib
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from rig.errors import StorageError
from rig.record import Coming, Recorder, RemoteRecorder, Status, WaterStatus, read_journal
from rig.record.status import Foreseen
from tests.record.recorders import until
from tests.record.runs import BARE, header, likely_rows, record_everything

WATER = WaterStatus("nach Plan, überwacht", True, False, 3, 0.0, 1e-5, 0.2, 9e4, 0.0, Coming("off"))


def kept(folder: Path) -> Status | None:
    with read_journal(folder) as journal:
        return journal.status


def test_any_status_comes_back_from_the_journal_as_it_was(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())

    @settings(max_examples=30)
    @given(st.builds(Status, slow=st.dictionaries(st.text(), st.floats(), max_size=3)))
    @example(BARE)
    @example(replace(BARE, water=WATER, coming=(Coming("end", float("inf"), 2**62),)))
    @example(replace(BARE, forecast=Foreseen(2e5, 3e5, 4e5, 1.0, float("nan"), True)))
    @example(replace(BARE, why="\0 \x1b[31m größer 𝄞\n\u2028\"'\\", slow={"é": float("-inf")}))
    def comes_back(status: Status) -> None:
        recorder.status(status)
        recorder.commit()
        # Floats are written so that they read back exactly, NaN as such.
        assert repr(kept(tmp_path / "run")) == repr(status)

    comes_back()
    recorder.abandon()


def test_numbers_of_numpy_and_mappings_of_any_kind_come_back_plain(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    slow = MappingProxyType({"temperature_air": np.float32(291.5)})
    recorder.status(replace(BARE, cycles=np.int64(7), live=np.bool_(False), slow=slow))
    recorder.commit()
    expected = replace(BARE, cycles=7, live=False, slow={"temperature_air": 291.5})
    assert repr(kept(tmp_path / "run")) == repr(expected)
    recorder.abandon()


def test_half_a_surrogate_pair_does_not_keep_a_record_from_being_written(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.status(replace(BARE, why="a\ud800b"))
    recorder.commit()
    assert kept(tmp_path / "run") == replace(kept(tmp_path / "run") or BARE, why="a?b")
    recorder.abandon()


def test_the_newest_status_is_committed_with_the_rows_before_it(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    assert kept(tmp_path / "run") is None
    recorder.cycles(likely_rows(1, 10))
    recorder.status(replace(BARE, cycles=9))
    recorder.status(replace(BARE, cycles=10))
    assert kept(tmp_path / "run") is None
    recorder.event(1.0, 10, "state", "paused")
    recorder.status(replace(BARE, cycles=11))
    recorder.abandon()
    with read_journal(tmp_path / "run") as journal:
        assert journal.status is not None
        assert journal.status.cycles == journal.rows("cycles") == 10
    recorder = Recorder.reopen(tmp_path / "run", header())
    recorder.finish("operator", "asked", 10, 2.0)
    status = kept(tmp_path / "run")
    assert status is not None
    assert status.cycles == 10


@pytest.mark.nights
async def test_a_status_alone_reaches_the_disk_though_nobody_asks_for_a_commit(
    tmp_path: Path,
) -> None:
    recorder = await RemoteRecorder.create(tmp_path / "run", header())
    recorder.status(replace(BARE, cycles=1))
    await until(lambda: kept(tmp_path / "run") is not None)
    recorder.status(replace(BARE, cycles=2))
    await recorder.synced()
    status = kept(tmp_path / "run")
    assert status is not None
    assert status.cycles == 2
    await recorder.abandon()


@pytest.mark.nights
def test_statuses_without_end_leave_neither_journal_nor_log_longer(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    path = tmp_path / "run" / "journal.db"
    lengths = []
    for number in range(450):
        recorder.status(replace(BARE, cycles=number, why="w" * 12_000))
        recorder.commit()
        lengths.append((path.stat().st_size, path.with_name("journal.db-wal").stat().st_size))
    recorder.abandon()
    # 450 statuses are 7 MB; SQLite empties a log of 1000 pages of 4096 bytes.
    assert max(log for _, log in lengths) < 4.5e6
    assert lengths[-1][0] == lengths[len(lengths) // 2][0] < 100_000


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"cycles": 0', '"cycles": "none"'),
        ('"cycles": 0', '"cycles": 0.5'),
        ('"cycles": 0', '"rounds": 0'),
        ('"cycles": 0, ', ""),
        ('"limits": []', '"limits": [3]'),
        ('"limits": []', '"limits": [{"channel": "load"}]'),
        ('"limits": []', '"limits": {}'),
        ('"inputs": []', '"inputs": [null]'),
        ('"water": null', '"water": {"doing": "off"}'),
        ('"water": null', '"water": {"$bytes": ""}'),
        ('"slow": {}', '"slow": {"load": true}'),
        ("{", "["),
        ("}", ""),
    ],
)
def test_a_status_of_another_version_is_none_and_the_rest_is_read(
    tmp_path: Path, old: str, new: str
) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.cycles(likely_rows(1, 10))
    recorder.status(BARE)
    recorder.commit()
    recorder.abandon()
    text = BARE.to_json().replace(old, new)
    assert text != BARE.to_json()
    with sqlite3.connect(tmp_path / "run" / "journal.db") as db:
        crc = zlib.crc32(text.encode(), zlib.crc32(b"status"))
        db.execute("UPDATE meta SET body = ?, crc = ? WHERE key = 'status'", (text, crc))
    db.close()
    with read_journal(tmp_path / "run") as journal:
        assert journal.status is None
        assert journal.rows("cycles") == 10


def test_the_newest_events_are_the_last_of_all_and_read_without_the_others(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    for number in range(50):
        recorder.event(float(number), number, "note", f"größer {number}")
        recorder.spray(float(number), number + 0.5, 1.0, True)
    recorder.finish("operator", "asked", 0, 2.0)
    with read_journal(tmp_path / "run") as journal:
        events = journal.events()
        for count in (0, 1, 7, 50, 51):
            assert journal.newest_events(count) == events[max(50 - count, 0) :]
    with sqlite3.connect(tmp_path / "run" / "journal.db") as db:
        db.execute("UPDATE entry SET body = '[' WHERE seq = 81")
    db.close()
    with read_journal(tmp_path / "run") as journal:
        assert journal.newest_events(9) == events[-9:]
        with pytest.raises(StorageError, match=r"journal\.db.*damaged at events 81"):
            journal.newest_events(10)


def test_chunks_are_read_one_by_one_from_the_places_that_the_journal_names(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    rows = likely_rows(1, 9000)
    for first in range(0, 9000, 1000):
        recorder.cycles(rows.part(first, first + 1000))
        recorder.commit()
    recorder.abandon()
    with read_journal(tmp_path / "run") as journal:
        assert journal.places("slow") == []
        places = journal.places("cycles")
        # Two whole chunks, the rest of the last block and one more block.
        assert places == [(0, 4096), (4096, 4096), (8192, 808)]
        assert journal.places("cycles", 4096) == places[1:]
        for first, count in places:
            chunk = journal.chunk("cycles", first)
            assert (chunk.first, chunk.rows) == (first, count)
            for name, column in chunk.columns().items():
                assert column.tobytes() == rows[name][first : first + count].tobytes(), name
        with pytest.raises(StorageError, match=r"journal\.db: no cycles chunk begins with row 7"):
            journal.chunk("cycles", 7)


def test_a_damaged_chunk_is_named_when_it_is_read_and_not_before(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    record_everything(recorder)
    recorder.commit()
    recorder.abandon()
    with sqlite3.connect(tmp_path / "run" / "journal.db") as db:
        db.execute("UPDATE chunk SET body = zeroblob(50) WHERE first = 4096")
    db.close()
    with read_journal(tmp_path / "run") as journal:
        assert journal.places("cycles") == [(0, 4096), (4096, 904)]
        assert journal.chunk("cycles", 0).rows == 4096
        with pytest.raises(StorageError, match="damaged at cycles rows 4096 to 5000"):
            journal.chunk("cycles", 4096)
