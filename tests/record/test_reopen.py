"""A record that was not finished goes on exactly where its last commit stood."""

import random
import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.record import Recorder, read_journal
from tests.record.runs import datasets, header, likely_rows, record_everything, wild_rows


@pytest.mark.nights
@settings(max_examples=4)
@given(
    blocks=st.lists(st.integers(0, 5000), min_size=1, max_size=5),
    reopened=st.sets(st.integers(0, 4)),
    seed=st.integers(0, 2**32),
)
def test_a_record_with_reopenings_is_the_one_without(
    blocks: list[int], reopened: set[int], seed: int
) -> None:
    with tempfile.TemporaryDirectory() as place:
        found = []
        for name, breaks in (("broken", reopened), ("whole", set())):
            folder = Path(place) / name
            recorder = Recorder.create(folder, header())
            for index, count in enumerate(blocks):
                recorder.cycles(wild_rows(recorder.counted + 1, count, seed))
                recorder.build_up(wild_rows(7, count // 2, seed))
                recorder.slow(float(index), {"temperature_air": 290.0 + index})
                recorder.event(float(index), recorder.counted, "note", f"block {index}")
                recorder.commit()
                if index in breaks:
                    recorder.abandon()
                    recorder = Recorder.reopen(folder, header())
            found.append(datasets(recorder.finish("operator", "asked", recorder.counted, 9.0)))
        assert found[0] == found[1]


def test_what_was_not_committed_is_gone_and_the_numbers_go_on_from_the_commit(
    tmp_path: Path,
) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    record_everything(recorder)
    recorder.commit()
    recorder.cycles(likely_rows(5001, 700))
    recorder.event(40.0, 5700, "note", "lost")
    recorder.abandon()
    recorder = Recorder.reopen(tmp_path / "run", header())
    assert recorder.counted == 5000
    segments = sorted(path.name for path in (tmp_path / "run" / "segments").iterdir())
    assert segments == ["0001.h5", "0002.h5"]
    recorder.cycles(likely_rows(5001, 9))
    recorder.event(41.0, 5009, "note", "kept")
    recorder.commit()
    recorder.abandon()
    with read_journal(tmp_path / "run") as journal:
        assert journal.columns("cycles")["number"].tolist() == [*range(1, 5010)]
        assert [e.text for e in journal.events()][2:] == ["kept"]
        assert len(list(journal.full_rate())) == 3


def test_what_a_crash_left_with_its_log_is_written_on(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "crashing", header())
    recorder.cycles(likely_rows(1, 70))
    recorder.commit()
    folder = shutil.copytree(tmp_path / "crashing", tmp_path / "run")
    recorder.abandon()
    assert (folder / "journal.db-wal").stat().st_size > 0
    assert (folder / "journal.db-shm").stat().st_size > 0
    recorder = Recorder.reopen(folder, header())
    recorder.cycles(likely_rows(71, 9))
    recorder.commit()
    with read_journal(folder) as journal:
        assert journal.columns("cycles")["number"].tolist() == [*range(1, 80)]
    recorder.abandon()


def test_the_message_counter_is_committed_with_what_the_messages_brought(tmp_path: Path) -> None:
    chance = random.Random(1)
    recorder = Recorder.create(tmp_path / "run", header())
    kept = 0
    for number in range(1, 60):
        recorder.received = number
        recorder.event(0.0, 0, "note", str(number))
        if chance.random() < 0.2:
            recorder.commit()
            kept = number
        if chance.random() < 0.1:
            recorder.abandon()
            recorder = Recorder.reopen(tmp_path / "run", header())
            assert recorder.received == kept
    recorder.abandon()
    with read_journal(tmp_path / "run") as journal:
        assert journal.received == kept == int(journal.events()[-1].text)


def test_a_run_that_has_ended_is_not_reopened(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.finish("run-out", "taken off", 0, 1.0)
    before = (tmp_path / "run" / "journal.db").read_bytes()
    with pytest.raises(InputError, match=r"journal\.db: this run has ended \(run-out\)"):
        Recorder.reopen(tmp_path / "run", header())
    assert (tmp_path / "run" / "journal.db").read_bytes() == before


def test_a_journal_of_another_run_is_refused(tmp_path: Path) -> None:
    Recorder.create(tmp_path / "run", header()).abandon()
    with pytest.raises(InputError, match=r"this is run 'plank-7'.*not 'plank-8'"):
        Recorder.reopen(tmp_path / "run", replace(header(), run_id="plank-8"))
