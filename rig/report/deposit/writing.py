"""An ended run as a deposit: written under a hidden name, read back, then given its own."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rig.errors import InputError, StorageError
from rig.record.history import read_journal
from rig.record.journal import JOURNAL
from rig.record.layout import RUN_FILE, TEXTS
from rig.record.pictures import PICTURES, find_picture, trouble_of_picture
from rig.record.verify import trouble_in_run_file
from rig.replay.exporting import WHAT, export, give_name, hidden_folder, told_by_disk
from rig.replay.recording import open_recording
from rig.report.deposit.about import About, about
from rig.report.deposit.checking import check_folder
from rig.report.deposit.citation import citation_text
from rig.report.deposit.crate import crate_class, metadata_text
from rig.report.deposit.files import (
    CITATION,
    METADATA,
    README,
    REPORTS,
    SUMS,
    TABLES,
    WRITTEN,
    Held,
    copied,
    held,
    names_below,
    sums_text,
)
from rig.report.deposit.packing import pack, packed_as
from rig.report.deposit.people import Author
from rig.report.deposit.position import tells_position
from rig.report.deposit.readme import NOT_CHOSEN, readme_text
from rig.report.document import PAGE
from rig.report.written_report import is_report_of, of_run

ZIP: Final = ".zip"
_HASH: Final = frozenset("0123456789abcdef")
_DOING: Final = "write the deposit"


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody asked a deposit to hold, and what it is to say.

    `licence` is an SPDX id or ""; `what` and `units` are as `export` takes them.
    """

    authors: tuple[Author, ...] = ()
    licence: str = ""
    what: Collection[str] = WHAT
    units: Mapping[str, str] | None = None
    pictures: bool = True


@dataclass(frozen=True, slots=True)
class Deposited:
    """What was written: where, the files with what they hold, and what people are to see to.

    `people` are those whom the crack log names.
    """

    place: str
    files: Mapping[str, Held]
    cautions: tuple[str, ...]
    people: tuple[str, ...]


def deposit(run: Path, out: Path, asked: Asked) -> Deposited:
    """Write the ended run of a folder, or a run.h5, as an RO-Crate; a zip file where `out` is .zip.

    Raises InputError for a run that has not ended, an `out` that exists or a missing package,
    StorageError for a damaged record, a deposit that does not read back, or a full disk.
    """
    crate_class()
    _refuse_unfit(run)
    with told_by_disk(out, _DOING), hidden_folder(out) as hidden:
        folder = hidden / "deposit"
        folder.mkdir()
        known, cautions = _write(run, folder, asked)
        files = check_folder(folder)
        made = folder
        if out.suffix.lower() == ZIP:
            made = hidden / "deposit.zip"
            pack(folder, files, made)
            if trouble := packed_as(made, files):
                raise StorageError(f"{out}: {trouble}; nothing was left; see to the disk")
        give_name(made, out)
    return Deposited(str(out.absolute()), files, cautions, known.people)


def _refuse_unfit(run: Path) -> None:
    """Refuse a run that goes on, or whose run.h5 is not what its journal says."""
    folder = run if run.is_dir() else run.parent
    if not (folder / JOURNAL).is_file() or (run.is_file() and run.name != RUN_FILE):
        return
    with read_journal(folder) as journal:
        if journal.ending is None:
            raise InputError(f"{run}: the run has no end yet; a deposit is made of one that has")
    if trouble := trouble_in_run_file(folder):
        raise StorageError(f"{trouble}; nothing was written")


def _write(run: Path, folder: Path, asked: Asked) -> tuple[About, tuple[str, ...]]:
    """Write all files of a deposit; return what is known of the run, and what is to be seen to."""
    source = run / RUN_FILE if run.is_dir() else run
    sha256 = copied(source, folder / RUN_FILE)
    # What is told and exported is what the deposit itself holds.
    with _named(folder / RUN_FILE, source), open_recording(folder / RUN_FILE) as recording:
        # What was imported has an end, and no outcome.
        if not recording.ended and not recording.header.imported:
            raise InputError(f"{run}: the run has no end yet; a deposit is made of one that has")
        known = about(recording, sha256)
        of = of_run(recording.header.run_id, recording.header.started_utc)
        export(recording, folder / TABLES, asked.what, asked.units)
    _move_texts(folder)
    cautions = [
        *_whole(known, asked),
        *_pictures(source.parent, folder, known, asked),
        *_reports(source.parent, folder, sha256, of),
    ]
    _tell(folder, known, asked, cautions)
    return known, tuple(cautions)


@contextmanager
def _named(copy: Path, source: Path) -> Iterator[None]:
    """Name the file that somebody gave where its copy cannot be read: nobody knows of that."""
    try:
        yield
    except (InputError, StorageError) as error:
        kind = InputError if isinstance(error, InputError) else StorageError
        raise kind(str(error).replace(str(copy), str(source))) from error


def _move_texts(folder: Path) -> None:
    """Give the files as written a folder of their own."""
    (folder / WRITTEN).mkdir()
    for name in TEXTS:
        file = folder / TABLES / f"{name}.toml"
        if file.exists():
            file.rename(folder / WRITTEN / file.name)


def _whole(run: About, asked: Asked) -> Iterator[str]:
    """Yield what is to be seen to before anything is published."""
    if run.simulated:
        yield "This run was simulated: it says nothing of a real beam."
    if run.imported:
        yield "This run was imported: what the file left out is not in it."
    yield (
        "Names of people are in the record (who asked, noted, photographed and signed; who is on "
        f"call, with the telephone number), in run.h5, {TABLES}/, {WRITTEN}/ and the reports: ask "
        "them before it is published."
    )
    if not asked.authors:
        yield f"{CITATION} names no authors; make the deposit again with --author."
    if not asked.licence:
        yield f"The licence is {NOT_CHOSEN}; make the deposit again with --license."
    yield (
        f"The date is that of the record's last entry, {run.day}; a repository gives it the date "
        "of its publication."
    )


def _pictures(source: Path, folder: Path, run: About, asked: Asked) -> Iterator[str]:
    """Copy the pictures of the crack log by their hashes; yield what is to be seen to."""
    hashes = sorted({entry.picture for entry in run.pictures})
    if not hashes:
        return
    if not asked.pictures:
        yield f"Pictures of the crack log left out: {len(hashes)}; the record has their hashes."
        return
    missing = 0
    for sha256 in hashes:
        # A record of others may hold anything in the place of a hash.
        path = find_picture(source, sha256) if _is_hash(sha256) else None
        if path is None:
            missing += 1
            continue
        if trouble := trouble_of_picture(path, sha256):
            raise StorageError(f"{trouble}; put it back, or give --without-pictures")
        (folder / PICTURES).mkdir(exist_ok=True)
        copied(path, folder / PICTURES / path.name)
        yield from _told_position(folder / PICTURES / path.name)
    if missing:
        yield f"Pictures of the crack log not beside the record, and not here: {missing}."


def _is_hash(text: str) -> bool:
    return len(text) == 64 and set(text) <= _HASH


def _told_position(path: Path) -> Iterator[str]:
    name = f"{PICTURES}/{path.name}"
    tells = tells_position(path)
    if tells:
        yield (
            f"{name} tells where it was taken (GPS). The record has the hash of the picture as it "
            "is, so it is left whole: leave pictures out with --without-pictures, or ask."
        )
    elif tells is None:
        yield f"{name} could not be looked into: whether it tells where it was taken is not known."


def _reports(source: Path, folder: Path, sha256: str, of: str) -> Iterator[str]:
    """Copy the reports of the record that lie beside it; yield what is to be seen to."""
    for name in REPORTS:
        path = source / name
        if not path.is_file():
            continue
        if path.is_symlink() or not is_report_of(path, of):
            yield f"{name} beside the record is a link or no report of this run: left out."
            continue
        copied(path, folder / name)
        if name == PAGE and sha256.encode() not in path.read_bytes():
            yield f"{name} does not name the hash of this run.h5: it may be older; make it anew."


def _tell(folder: Path, run: About, asked: Asked, cautions: Sequence[str]) -> None:
    """Write what tells of the others: citation, README, metadata, and the checksums of all."""
    authors, licence = asked.authors, asked.licence
    _put(folder / CITATION, citation_text(run, authors, licence))
    names = names_below(folder)
    _put(folder / README, readme_text(run, authors, licence, names, asked.what, cautions))
    files = {name: held(folder / name) for name in (*names, README)}
    _put(folder / METADATA, metadata_text(run, authors, licence, files))
    _put(folder / SUMS, sums_text(files | {METADATA: held(folder / METADATA)}))


def _put(path: Path, text: str) -> None:
    path.write_text(text, "utf-8", newline="\n")
