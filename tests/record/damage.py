"""Runs to damage, ways to damage them, and what must be so afterwards."""

import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import h5py

from rig.errors import StorageError
from rig.record import (
    Recorder,
    Saved,
    damage_in_journal,
    doubt_about_journal,
    read_journal,
    rebuild,
    salvage,
    take_up,
    trouble_in_run_file,
)
from rig.record.entries import LISTS
from tests.record.runs import BARE, header, likely_rows, record_everything

Content = dict[tuple[object, ...], object]
"""Everything a journal holds, comparable."""


def ended(folder: Path) -> Path:
    """A finished run with something of everything in it."""
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    for number in range(40):
        recorder.event(31.0 + number, 5000, "note", f"note {number} " + "of a long night " * 12)
    recorder.restart_point({"next": 5001, "tail": bytes(9000)})
    recorder.status(BARE)
    recorder.finish("operator", "asked to stop", 5000, 60.0)
    return folder


def killed(folder: Path) -> Path:
    """A run as a kill leaves it: most of it in the log of its journal."""
    recorder = Recorder.create(folder.with_name("killing"), header())
    record_everything(recorder)
    for number in range(12):
        recorder.cycles(likely_rows(recorder.counted + 1, 300))
        recorder.event(31.0 + number, recorder.counted, "note", f"block {number}")
        recorder.restart_point({"number": number, "tail": bytes(9000)})
        recorder.received = number
        recorder.commit()
    shutil.copytree(recorder.folder, folder)
    recorder.abandon()
    shutil.rmtree(recorder.folder)
    return folder


def content(folder: Path) -> Content:
    """Everything the journal of a folder holds. Raises StorageError."""
    with read_journal(folder) as journal:
        found: Content = {
            ("header",): journal.header.to_json(),
            ("ending",): journal.ending,
            ("restart",): str(journal.restart_point),
            ("status",): journal.status,
            ("received",): journal.received,
        }
        for kind in journal.tables:
            for name, column in journal.columns(kind).items():
                found[kind, name] = column.tobytes()
        for kind in ("events", "spray", "inspections", "cracks", "interruptions", "zeros"):
            found[kind,] = repr(journal.entries(kind))
        for kind in ("static", "full_rate"):
            for place, record in enumerate(journal.samples(kind)):
                found[kind, place] = record.values.tobytes()
    return found


def flip(data: bytes, chance: random.Random) -> bytes:
    """One bit the other way round."""
    at = chance.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << chance.randrange(8)]) + data[at + 1 :]


def zero(data: bytes, chance: random.Random) -> bytes:
    """A page, or a sector, of zeros."""
    size = chance.choice([512, 4096])
    at = chance.randrange(-(-len(data) // size)) * size
    return data[:at] + bytes(len(data[at : at + size])) + data[at + size :]


def cut(data: bytes, chance: random.Random) -> bytes:
    """Less of the file: cut anywhere, or between two pages."""
    at = chance.randrange(len(data))
    return data[: chance.choice([at, at // 4096 * 4096])]


WAYS: dict[str, Callable[[bytes, random.Random], bytes]] = {"flip": flip, "zero": zero, "cut": cut}
FILES = (
    ("ended", "run.h5", ()),
    ("ended", "journal.db", ()),
    ("killed", "journal.db", ()),
    ("killed", "journal.db-wal", ()),
    ("killed", "journal.db-wal", ("journal.db-shm",)),
)
"""Which run, which of its files is damaged, and what is not there at all."""


def cases(count: int) -> Iterator[tuple[str, str, tuple[str, ...], str, int]]:
    """Yield so many seeded ways to damage a file."""
    for number in range(count):
        run, name, without = FILES[number % len(FILES)]
        yield run, name, without, [*WAYS][number // len(FILES) % len(WAYS)], number


def look_at(folder: Path, case: tuple[str, str, tuple[str, ...], str, int], whole: Content) -> str:
    """Damage a copy of a run and hold what the program says and does against what was there.

    Returns what became of it: "made again", "unchanged", "doubted" or "saved".
    """
    _, name, without, way, seed = case
    for missing in without:
        (folder / missing).unlink()
    path = folder / name
    before = path.read_bytes()
    path.write_bytes(WAYS[way](before, random.Random(seed)))
    if name == "run.h5":
        return _run_file(folder, path.read_bytes() == before)
    doubt, damage = doubt_about_journal(folder), damage_in_journal(folder)
    if not damage:
        if not doubt:
            assert content(folder) == whole
        rebuild(folder)
        return "doubted" if doubt else "unchanged"
    kept = path.read_bytes()
    for refused in (rebuild, take_up):
        try:
            refused(folder)
        except StorageError:
            continue
        raise AssertionError(f"{refused.__name__} went on with {damage}")
    assert path.read_bytes() == kept
    _saved(salvage(folder, folder / "saved.h5"), whole)
    return "saved"


def _run_file(folder: Path, same: bool) -> str:
    said = trouble_in_run_file(folder)
    assert (said == "") is same
    rebuild(folder)
    assert trouble_in_run_file(folder) == ""
    return "unchanged" if same else "made again"


def _saved(saved: Saved, whole: Content) -> None:
    """What was saved is genuine, and what was not is named."""
    assert saved.lost
    open_end = any("cannot be known" in line for line in saved.lost)
    with h5py.File(saved.path) as file:
        assert file.attrs["format"] == "nightrig-salvage"
        lost = {(h["what"].decode(), n) for h in file["holes"][:] for n in numbers(h)}
        if "header" not in saved.metadata:
            assert ("header", 0) in lost
            return
        for kind in ("cycles", "build_up", "slow"):
            rows = len(whole[kind, "time"]) // 8
            kept = [False] * rows
            for first, count, offset in file[kind]["stretches"][:].tolist():
                kept[first : first + count] = [True] * count
                for name in file[kind].keys() - {"stretches"}:
                    column = file[kind][name]
                    size = column.dtype.itemsize
                    expected = whole[kind, name][first * size : (first + count) * size]
                    assert column[offset : offset + count].tobytes() == expected
            end = max((row for row in range(rows) if kept[row]), default=-1)
            for row in range(rows):
                assert kept[row] or (kind, row) in lost or (open_end and row > end), (kind, row)
        seqs = {seq for kind in LISTS for seq in file[kind]["seq"][:].tolist()}
        assert not seqs & {number for what, number in lost if what == "entries"}
        assert {*range(1, max(seqs, default=0))} <= seqs | {n for w, n in lost if w == "entries"}


def numbers(hole: object) -> range:
    return range(hole["first"], hole["first"] + hole["count"])
