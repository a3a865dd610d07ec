"""A record that stopped is made ready to go on, whole or not at all."""

import shutil
import sqlite3
from collections.abc import Mapping
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.record import Recorder, read_journal, read_run, take_up, trouble_in_run_file
from tests.record.kills import KEPT, killed
from tests.record.runs import header, likely_rows, record_everything

END = ("operator", "asked to stop")
TAKING_UP = (
    "before run.h5 goes",
    "run.h5 gone",
    "run.h5 removed",
    "before the ending goes",
    "ending removed",
)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run: 5000 cycles, 200 of build-up, 2 slow rows, lists and samples."""
    recorder = Recorder.create(tmp_path_factory.mktemp("whole") / "run", header())
    record_everything(recorder)
    recorder.restart_point({"next": 5001})
    recorder.finish(*END, 5000, 60.0)
    return recorder.folder


@pytest.fixture
def run(whole: Path, tmp_path: Path) -> Path:
    return shutil.copytree(whole, tmp_path / "run")


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.mark.parametrize(
    "keep",
    [
        None,
        {"cycles": 5000},
        {"cycles": 4999, "build_up": 199, "slow": 1},
        {"cycles": 4096, "build_up": 0},
        {"cycles": 4095},
        {"cycles": 0, "build_up": 1, "slow": 0},
    ],
    ids=str,
)
def test_a_cut_record_goes_on_as_one_that_never_had_the_rows(
    run: Path, keep: Mapping[str, int] | None
) -> None:
    take_up(run, keep)
    kept = {"cycles": 5000, "build_up": 200, "slow": 2, **(keep or {})}
    assert names(run) == {"journal.db"}
    with read_journal(run) as journal:
        assert journal.ending is None
        assert journal.run_file is None
        assert journal.restart_point is not None
        assert [event.kind for event in journal.events()] == ["state", "note"]
        assert {kind: journal.rows(kind) for kind in kept} == kept
    recorder = Recorder.reopen(run, header())
    assert recorder.counted == kept["cycles"]
    assert names(run / "segments") == {"0001.h5"}
    recorder.cycles(likely_rows(1, 9000).part(kept["cycles"], 9000))
    recorder.build_up(likely_rows(1, 30))
    recorder.slow(90.0, {"temperature_air": 290.0})
    recorder.commit()
    recorder.abandon()
    expected = {
        "cycles": likely_rows(1, 5000).part(0, kept["cycles"]).columns,
        "build_up": likely_rows(1, 200).part(0, kept["build_up"]).columns,
    }
    more = {
        "cycles": likely_rows(1, 9000).part(kept["cycles"], 9000).columns,
        "build_up": likely_rows(1, 30).columns,
    }
    with read_journal(run) as journal:
        for kind, columns in expected.items():
            found = journal.columns(kind)
            for name, column in columns.items():
                assert found[name].tobytes() == column.tobytes() + more[kind][name].tobytes()
        assert journal.columns("slow")["time"].tolist() == [*[1.0, 2.0][: kept["slow"]], 90.0]


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


@pytest.mark.nights
def test_killed_anywhere_it_can_be_called_again_and_no_run_file_pretends(
    whole: Path, tmp_path: Path
) -> None:
    killed(tmp_path, dict.fromkeys(TAKING_UP, whole))
    rows = {}
    for name in TAKING_UP:
        with read_journal(tmp_path / name) as journal:
            rows[name] = journal.rows("cycles")
            over = journal.ending is not None
        assert over is (rows[name] == 5000)
        # Until the ending is gone nobody need go on: the ended run is there to the last bit.
        trouble = trouble_in_run_file(tmp_path / name)
        assert trouble == "" if name == TAKING_UP[0] else trouble.endswith("is missing")
        take_up(tmp_path / name, {**KEPT, "cycles": min(4500, rows[name])})
        with read_journal(tmp_path / name) as journal:
            assert {kind: journal.rows(kind) for kind in KEPT} == KEPT
            found = journal.columns("cycles")
        for column, values in likely_rows(1, 5000).part(0, 4500).columns.items():
            assert found[column].tobytes() == values.tobytes()
    assert [*rows.values()] == [5000, 5000, 5000, 5000, 4500]


@pytest.mark.parametrize(
    "keep", [{"cycles": 5001}, {"cycles": -1}, {"build_up": 201}, {"slow": 3}], ids=str
)
def test_more_rows_than_there_are_cannot_be_kept(run: Path, keep: dict[str, int]) -> None:
    before = {path.name: path.read_bytes() for path in run.iterdir()}
    with pytest.raises(StorageError, match="cannot be kept, there are"):
        take_up(run, keep)
    assert {path.name: path.read_bytes() for path in run.iterdir()} == before


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
def test_a_damaged_journal_is_never_cut(run: Path, change: str, names: str) -> None:
    path = run / "run.h5"
    with sqlite3.connect(run / "journal.db") as db:
        db.execute(change)
    db.close()
    before = (run / "journal.db").read_bytes(), path.read_bytes()
    with pytest.raises(StorageError, match=rf"journal\.db.*damaged.*({names})"):
        take_up(run, {"cycles": 10})
    assert ((run / "journal.db").read_bytes(), path.read_bytes()) == before


def test_a_record_that_is_still_written_is_not_taken_up(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    with pytest.raises(StorageError, match="another process still writes the record"):
        take_up(tmp_path / "run")
    recorder.abandon()
    take_up(tmp_path / "run")
    with pytest.raises(StorageError, match="there is no such folder"):
        take_up(tmp_path / "nowhere")
