"""What is added to an ended run: the old record or the new one, whole, whenever it is killed."""

from __future__ import annotations

import hashlib
import re
import shutil
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import h5py
import pytest

from rig.errors import InputError, StorageError
from rig.record import (
    Recorder,
    read_journal,
    read_run,
    rebuild,
    trouble_in_run_file,
)
from rig.record.after_end import KIND, added_after
from rig.record.cracks import CrackEntry, read_cracks
from tests.record.kills import ADDED, END, ROOT, killed
from tests.record.runs import HAIRLINE, datasets, header, record_everything

pytestmark = pytest.mark.xdist_group("after-end")  # they share what the kills left
UTC = "2001-01-02T08:00:00+00:00"
CHANGED = {"/", "events", "cracks"}
"""What of a run file may differ once something was added; "/" for all that lies in it."""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run with something of everything in it; it is not to be changed."""
    folder = tmp_path_factory.mktemp("whole") / "run"
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    recorder.finish(*END)
    return folder


def hash_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def write(folder: Path, text: str, number: int) -> CrackEntry:
    with added_after(folder) as record:
        entry = replace(record.new("words", "A. Name", UTC, text), number=number)
        record.add(entry)
    return entry


def texts(path: Path) -> list[str]:
    """What the entries of a run file say, by plain h5py."""
    with h5py.File(path) as file:
        return [text.decode() for text in file["cracks"]["text"]]


def test_an_entry_and_its_event_are_added_and_nothing_else_changes(
    whole: Path, tmp_path: Path
) -> None:
    run = shutil.copytree(whole, tmp_path / "run")
    before, was = hash_of(run / "run.h5"), datasets(run / "run.h5")
    entry = write(run, "a wire is broken", 2)
    assert trouble_in_run_file(run) == ""
    assert {path.name for path in run.iterdir()} == {"journal.db", "run.h5"}
    assert hash_of(run / "run.h5") != before
    now = datasets(run / "run.h5")
    assert {name for name in now if now[name] != was[name]} <= CHANGED
    with read_run(run) as file, read_journal(run) as journal:
        assert repr(read_cracks(file)) == repr((HAIRLINE, entry)) == repr(read_cracks(journal))
        (event,) = [event for event in file.events() if event.kind == KIND]
        assert file.outcome == "operator"
    assert (event.time, event.cycle) == (60.0, 5000)
    assert event.text == (
        f"A. Name: entry 2: a wire is broken; after the end, {UTC}; run.h5 had SHA-256 {before} "
        "before"
    )


def test_what_is_refused_on_the_way_leaves_every_byte(whole: Path) -> None:
    before = {path.name: path.read_bytes() for path in whole.iterdir()}
    with suppress(InputError), added_after(whole):
        raise InputError("no")
    assert {path.name: path.read_bytes() for path in whole.iterdir()} == before


def test_what_was_added_before_somebody_left_stays(whole: Path, tmp_path: Path) -> None:
    run = shutil.copytree(whole, tmp_path / "run")
    with suppress(KeyboardInterrupt), added_after(run) as record:
        for number in (2, 3):
            record.add(
                replace(record.new("words", "A. Name", UTC, f"word {number}"), number=number)
            )
        raise KeyboardInterrupt
    assert texts(run / "run.h5")[1:] == ["word 2", "word 3"]
    assert trouble_in_run_file(run) == ""


def test_a_run_that_has_not_ended_is_refused(tmp_path: Path) -> None:
    recorder = Recorder.create(tmp_path / "run", header())
    with pytest.raises(StorageError, match="another process still writes"):
        write(tmp_path / "run", "too early", 1)
    recorder.abandon()
    with pytest.raises(InputError, match="has not ended"):
        write(tmp_path / "run", "too early", 1)


def test_a_damaged_journal_is_refused_and_left(whole: Path, tmp_path: Path) -> None:
    run = shutil.copytree(whole, tmp_path / "run")
    path = run / "journal.db"
    data = path.read_bytes()
    at = data.index(b"mid-span")
    path.write_bytes(data[:at] + b"M" + data[at + 1 :])
    before = path.read_bytes()
    with pytest.raises(StorageError, match="damaged at cracks"):
        write(run, "more", 2)
    assert path.read_bytes() == before


STEPS = {
    "entry and its event, digest of `run.h5` taken out": ("entry", True, False),
    "`run.h5.new`, read back in everything it says, synced": ("new run.h5.new", True, False),
    "digest of `run.h5` in the journal": ("new digest", True, False),
    "`run.h5` (renamed, folder synced)": ("new run.h5", True, True),
    "log moved into `journal.db`": ("new one file", True, True),
}
"""Each line of the table: its kill, and whether journal and run.h5 are the new ones then."""
BEFORE = ("before the entry", False, False)


def test_every_line_of_the_table_has_a_test() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("## Write order of what is added after the end")[2].partition("\n## ")[0]
    rows = [row for row in table.splitlines() if row.startswith("|")]
    assert [re.split(r"\s*\|\s*", row)[1] for row in rows[2:]] == [*STEPS]


@pytest.fixture(scope="module")
def places(whole: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a run for each step, killed right after it."""
    place = tmp_path_factory.mktemp("killed")
    killed(place, dict.fromkeys((name for name, *_ in (BEFORE, *STEPS.values())), whole))
    return place


@pytest.mark.nights
@pytest.mark.parametrize(("name", "journal_new", "file_new"), [BEFORE, *STEPS.values()])
def test_a_kill_leaves_the_old_or_the_new_whole_and_the_next_goes_on(
    places: Path, whole: Path, name: str, journal_new: bool, file_new: bool
) -> None:
    run = places / name
    told = [ADDED] if journal_new else []
    with read_journal(run) as journal:
        journal.whole()
        assert [entry.text for entry in read_cracks(journal)][1:] == told
        assert len([e for e in journal.events() if e.kind == KIND]) == len(told)
        assert journal.ending is not None
    if file_new:
        assert texts(run / "run.h5")[1:] == [ADDED]
        assert trouble_in_run_file(run) == ""
    else:
        assert (run / "run.h5").read_bytes() == (whole / "run.h5").read_bytes()
        assert bool(trouble_in_run_file(run)) is journal_new
    rebuild(run)
    assert texts(run / "run.h5")[1:] == told
    write(run, "after the kill", 2 + len(told))
    assert texts(run / "run.h5")[1:] == [*told, "after the kill"]
    assert trouble_in_run_file(run) == ""
    assert {path.name for path in run.iterdir()} == {"journal.db", "run.h5"}


@pytest.mark.nights
@pytest.mark.parametrize("name", ["entry", "new digest"])
def test_what_a_kill_left_undone_is_done_by_the_next_entry(
    whole: Path, tmp_path: Path, name: str
) -> None:
    killed(tmp_path, {name: whole})
    write(tmp_path / name, "more", 3)
    assert texts(tmp_path / name / "run.h5")[1:] == [ADDED, "more"]
    assert trouble_in_run_file(tmp_path / name) == ""
