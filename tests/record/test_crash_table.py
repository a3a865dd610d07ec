"""Each line of DEVELOPERS.md on write order is true of a process that is killed right there."""

import re
from collections.abc import Callable
from pathlib import Path

import h5py
import pytest

from rig.errors import StorageError
from rig.record import (
    Recorder,
    read_journal,
    take_up,
    trouble_in_run_file,
)
from rig.record.journal import settle
from rig.record.recorder import complete
from tests.record.kills import END, KEPT, ROOT, killed
from tests.record.runs import BARE, header, likely_rows, record_everything

pytestmark = pytest.mark.xdist_group("crash-table")  # they share what the kills left


def lines() -> list[str]:
    """The first column of the table, without the marks of code."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("## Write order")[2].partition("\n## ")[0]
    rows = [row for row in table.splitlines() if row.startswith("|")]
    return [re.split(r"\s*\|\s*", row)[1].replace("`", "") for row in rows[2:]]


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def goes_on(folder: Path, counted: int) -> None:
    """It is taken up where it stands and counts on."""
    take_up(folder)
    recorder = Recorder.reopen(folder, header())
    assert recorder.counted == counted
    recorder.cycles(likely_rows(counted + 1, 10))
    recorder.commit()
    recorder.abandon()
    with read_journal(folder) as journal:
        numbers = journal.columns("cycles")["number"].tolist()
    assert numbers == [*range(1, counted + 11)]


def ended(folder: Path, *left: str) -> None:
    """The run has ended, and its run.h5 is made or there."""
    assert {"journal.db", *left} <= names(folder)
    with read_journal(folder) as journal:
        assert journal.ending is not None
        assert journal.rows("cycles") == 5000
    missing = trouble_in_run_file(folder)
    assert bool(missing) is ("run.h5" not in left)
    if missing:
        complete(folder)
        settle(folder)
        assert names(folder) == {"journal.db", "run.h5"}
        assert trouble_in_run_file(folder) == ""


def no_run(place: Path) -> None:
    folder = place / "journal.db.new"
    assert names(folder) == {"journal.db.new"}
    with pytest.raises(StorageError, match="there is no journal"):
        read_journal(folder)


def no_cycle(place: Path) -> None:
    folder = place / "journal.db"
    assert names(folder) == {"journal.db"}
    with read_journal(folder) as journal:
        assert journal.header == header()
        assert journal.restart_point is None
    goes_on(folder, 0)


def segment_alone(place: Path) -> None:
    folder = place / "segment"
    with h5py.File(folder / "segments" / "0001.h5", swmr=True, libver=("v110", "v110")) as file:
        assert len(file["cycles/number"]) == 0
    Recorder.reopen(folder, header()).abandon()
    assert names(folder / "segments") == {"0001.h5", "0002.h5"}
    goes_on(folder, 0)


def committed(place: Path) -> None:
    for name, rows, events in (("commit", 5000, 2), ("event at once", 5040, 3)):
        with read_journal(place / name) as journal:
            assert journal.rows("cycles") == rows
            assert len(journal.events()) == events
            point = journal.restart_point
        assert point is not None
        assert point["recorded"] == {"cycles": 5000, "build_up": 200, "slow": 2}
        take_up(place / name, point["recorded"])
        with read_journal(place / name) as journal:
            assert len(journal.events()) == events
        goes_on(place / name, 5000)


def last_status(place: Path) -> None:
    with read_journal(place / "status") as journal:
        assert journal.status is not None
        assert journal.status.to_json() == BARE.to_json()
        assert journal.rows("cycles") == 5080


def last_message(place: Path) -> None:
    with read_journal(place / "message") as journal:
        assert (journal.received, journal.rows("cycles")) == (10, 50)
    goes_on(place / "message", 50)


def made_of_the_ending(place: Path) -> None:
    ended(place / "ending", "segments")


def made_beside_a_new_one(place: Path) -> None:
    ended(place / "run.h5.new", "segments", "run.h5.new")


def made_after_its_digest(place: Path) -> None:
    ended(place / "digest", "segments", "run.h5.new")


def both_copies_and_segments(place: Path) -> None:
    ended(place / "run.h5", "segments", "run.h5", "journal.db-wal")


def both_copies(place: Path) -> None:
    ended(place / "segments removed", "run.h5", "journal.db-wal")
    assert "segments" not in names(place / "segments removed")


def finished(place: Path) -> None:
    ended(place / "one file", "run.h5")
    assert names(place / "one file") == {"journal.db", "run.h5"}


def without_run_file(place: Path) -> None:
    ended(place / "run.h5 removed")
    take_up(place / "run.h5 removed", KEPT)
    goes_on(place / "run.h5 removed", 4500)


def cut(place: Path) -> None:
    folder = place / "ending removed"
    assert "run.h5" not in names(folder)
    with read_journal(folder) as journal:
        assert journal.ending is None
        assert {kind: journal.rows(kind) for kind in KEPT} == KEPT
    goes_on(folder, 4500)


CHECKS: dict[str, Callable[[Path], None]] = {
    "folder, journal.db.new with the header": no_run,
    "journal.db (renamed, folder and the one above synced)": no_cycle,
    "segments/NNNN.h5": segment_alone,
    "sealed blobs of 4096 rows, tail, records, restart point": committed,
    "status: what the rig does, what comes next, what a screen shows": last_status,
    "messages to the recorder process, numbered": last_message,
    "ending": made_of_the_ending,
    "run.h5.new, read back in everything it says, synced": made_beside_a_new_one,
    "digest of run.h5 in the journal": made_after_its_digest,
    "run.h5 (renamed, folder synced)": both_copies_and_segments,
    "segments removed": both_copies,
    "log moved into journal.db": finished,
    "run.h5 removed, folder synced": without_run_file,
    "ending, digest and rows behind the restart point removed": cut,
}


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one of each name in it, as a kill right after that write has left it."""
    place = tmp_path_factory.mktemp("killed")
    recorder = Recorder.create(place / "run", header())
    record_everything(recorder)
    recorder.finish(*END)
    alone = ["journal.db.new", "journal.db", "segment", "commit", "event at once", "status"]
    alone += ["message", "ending", "run.h5.new", "digest", "run.h5", "segments removed", "one file"]
    again = ["run.h5 removed", "ending removed"]
    killed(place, dict.fromkeys(alone) | dict.fromkeys(again, place / "run"))
    return place


def test_every_line_has_a_test() -> None:
    assert lines() == [*CHECKS]


@pytest.mark.nights
@pytest.mark.parametrize("line", lines())
def test_a_kill_right_after_it_leaves_what_the_table_says(line: str, places: Path) -> None:
    CHECKS[line](places)
