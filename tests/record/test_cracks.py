"""The crack log: what stands after corrections, and records made before it had columns."""

from contextlib import closing
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.record import Recorder, read_journal, read_run, trouble_in_run_file
from rig.record.cracks import (
    NAN,
    WITHDRAWN,
    CrackEntry,
    Found,
    corrections,
    found_after,
    placed,
    read_cracks,
    standing,
)
from rig.record.journal import JournalWriter
from rig.record.verify import digest
from tests.record.runs import HAIRLINE, header

OLD = [("time", "<f8"), ("cycle", "<i8"), ("text", h5py.string_dtype())]


def correction(number: int, corrects: int, **values: object) -> CrackEntry:
    return CrackEntry(number, 50.0, 70, "correction", by="B. Name", corrects=corrects, **values)


def test_a_correction_takes_the_place_of_its_entry_and_keeps_its_inspection() -> None:
    other = replace(HAIRLINE, number=2, crack="C2")
    fixed = correction(3, 1, crack="C1", face="back", width=2e-4)
    found = standing((HAIRLINE, other, fixed))
    assert [entry.number for entry in found] == [1, 2]
    first = found[0]
    assert (first.kind, first.time, first.cycle, first.by) == ("reading", 20.0, 10, "B. Name")
    assert (first.face, first.width) == ("back", 2e-4)
    assert np.isnan(first.position)
    assert found[1] is other


def test_a_correction_may_be_corrected_and_an_entry_withdrawn() -> None:
    twice = (
        HAIRLINE,
        correction(2, 1, crack="C1", width=2e-4),
        correction(3, 2, crack="C1", width=3e-4),
    )
    (only,) = standing(twice)
    assert (only.number, only.width) == (1, 3e-4)
    assert [entry.number for entry in corrections(twice)[1]] == [2, 3]
    assert standing((*twice, correction(4, 1, fact=WITHDRAWN, text="a scratch"))) == ()


def test_what_corrects_nothing_that_is_there_changes_nothing() -> None:
    assert standing((HAIRLINE, correction(2, 9), correction(3, 3))) == (HAIRLINE,)


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 12), st.booleans()), max_size=12))
def test_no_entry_is_lost_but_by_a_withdrawal(steps: list[tuple[bool, int, bool]]) -> None:
    entries, root, gone = [], {}, {}
    for number, (corrects, of, withdrawn) in enumerate(steps, start=1):
        if corrects and of in root:
            fact = WITHDRAWN if withdrawn else ""
            entries.append(correction(number, of, fact=fact, text=str(number)))
            root[number] = root[of]
            gone[root[of]] = withdrawn
        else:
            entries.append(replace(HAIRLINE, number=number))
            root[number] = number
    kept = [n for n in sorted(set(root.values())) if not gone.get(n)]
    assert [entry.number for entry in standing(entries)] == kept


def test_a_later_reading_is_where_the_crack_was_read_before() -> None:
    again = CrackEntry(2, 30.0, 20, "reading", crack="C1", face="front", width=2e-4)
    other_face = CrackEntry(3, 30.0, 20, "reading", crack="C1", face="back", width=1e-4)
    late = CrackEntry(4, 40.0, 30, "reading", crack="C1", face="back", position=0.6)
    found = placed((HAIRLINE, again, other_face, late))
    assert [(e.number, e.position, e.direction) for e in found] == [
        (1, 0.74, "flexural"),
        (2, 0.74, "flexural"),
        (3, 0.6, ""),
        (4, 0.6, ""),
    ]
    assert [np.isnan(e.width) for e in found] == [False, False, False, True]


def test_what_was_found_after_the_end_is_the_newest_that_stands() -> None:
    def told(number: int, fact: str, text: str, wires: int = 0) -> CrackEntry:
        return CrackEntry(
            *(number, 60.0, 90, "after-test"),
            fact=fact,
            text=text,
            wires=wires,
            at_utc="2001-01-02T08:00:00+00:00",
        )

    entries = (
        told(1, "mode", "shear"),
        told(2, "mode", "tendon fracture"),
        told(3, "void", "the beam was hit"),
        told(4, "wires", "at mid-span", 3),
        told(5, "rust", "none"),
    )
    assert found_after(entries) == Found("tendon fracture", False, "the beam was hit", 3, *WHERE)
    taken_back = correction(6, 3, fact=WITHDRAWN, text="it was another")
    assert found_after((*entries, taken_back)).valid is None
    assert found_after(()) == Found()


WHERE = ("at mid-span", "none")


def made_before(folder: Path, rows: list[tuple[float, int, str]]) -> Path:
    """A finished run as it was recorded when the crack log had three columns."""
    recorder = Recorder.create(folder, header())
    path = recorder.finish("operator", "asked to stop", 0, 60.0)
    with closing(JournalWriter(folder)) as journal:
        for row in rows:
            journal.entry("cracks", *row)
        with h5py.File(path, "a", libver=("v110", "v110")) as file:
            del file["cracks"]
            cracks = file.create_dataset("cracks", data=np.array(rows, OLD))
            cracks.attrs["units"] = "s, 1, 1"
            cracks.attrs["long_name"] = "test time, last counted cycle, in words"
        journal.run_file(digest(path))
        journal.commit()
        journal.settle()
    return folder


@pytest.mark.parametrize("rows", [[], [(20.0, 10, "hairline"), (30.0, 11, "it grew")]])
def test_a_record_made_before_reads_and_is_whole(
    tmp_path: Path, rows: list[tuple[float, int, str]]
) -> None:
    folder = made_before(tmp_path / "run", rows)
    assert trouble_in_run_file(folder) == ""
    with read_run(folder) as run, read_journal(folder) as journal:
        found = read_cracks(run)
        assert repr(found) == repr(read_cracks(journal))
    assert [(e.number, e.time, e.cycle, e.kind, e.text) for e in found] == [
        (n, *row[:2], "words", row[2]) for n, row in enumerate(rows, start=1)
    ]


def test_a_run_file_without_the_columns_is_not_taken_for_one_of_a_newer_log(
    tmp_path: Path,
) -> None:
    folder = made_before(tmp_path / "run", [])
    with closing(JournalWriter(folder)) as journal:
        journal.entry("cracks", *replace(HAIRLINE, width=NAN).row())
        journal.commit()
        journal.settle()
    assert "cracks" in trouble_in_run_file(folder)
