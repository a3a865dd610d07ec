"""What a report was made from: files, their hashes, pictures, program and format."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Final

from rig.record.cracks import CrackEntry, standing
from rig.record.layout import FORMAT, RUN_FILE, TEXTS, VERSION
from rig.record.pictures import find_picture, trouble_of_picture
from rig.report.document import Facts, Listed, Paragraph, Section
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Words
from rig.report.run_parts import attribute
from rig.report.run_reading import RunRead

HASHES: Final = ("what", "SHA-256", "state")
SAFETY: Final = (
    "Software is no safety system: guards, emergency stop and the machine's own limits come first."
)
PICTURES: Final = ("SHA-256", "of what", "counted cycles", "by", "is it there")


def files_section(read: RunRead) -> Section:
    """Return files and hashes, and with which program they were made."""
    hashes = Listed(("Files of this run and their hashes",), Table(HASHES, tuple(_hashes(read))))
    return Section(
        "files", "Files and hashes", (hashes, *_pictures(read), Facts(tuple(_made_with(read))))
    )


def _hashes(read: RunRead) -> Iterator[tuple[Cell, ...]]:
    if read.whole.sha256:
        digest: Part = Words(read.whole.sha256, f"file.{RUN_FILE}.sha256", "file")
    else:
        digest = "none"
    yield RUN_FILE, digest, read.whole.said
    for name in TEXTS:
        text = read.header.texts.get(name, "")
        if text:
            hashed = hashlib.sha256(text.encode()).hexdigest()
            state = "kept in the record as it was written"
            yield f"/{name}", Words(hashed, f"file.{name}.sha256", "file"), state
        else:
            yield f"/{name}", "none", "the record keeps none"


def _pictures(read: RunRead) -> Iterator[Listed | Paragraph]:
    rows = tuple(_picture_rows(read))
    if not rows:
        yield Paragraph(("No picture belongs to this run.",))
        return
    caption = ("Pictures of this run: each file in its folder is named by its hash",)
    yield Listed(caption, Table(PICTURES, rows), folded=len(rows) > len(PICTURES))


def _picture_rows(read: RunRead) -> Iterator[tuple[Cell, ...]]:
    for entry in standing(read.cracks):
        if not entry.picture:
            continue
        key = f"cracks.entry.{entry.number}"
        path = find_picture(read.folder, entry.picture)
        trouble = trouble_of_picture(path, entry.picture) if path is not None else "missing"
        yield (
            Words(entry.picture, f"{key}.picture", "file"),
            _of_what(entry, key),
            Measure(entry.cycle, COUNT, f"{key}.cycle"),
            Words(entry.by, f"{key}.by"),
            "yes, unchanged" if not trouble else "no" if path is None else "not as it was kept",
        )


def _of_what(entry: CrackEntry, key: str) -> Cell:
    if not entry.crack:
        return "the inspection"
    crack = Words(entry.crack, f"{key}.crack", "name")
    return crack if not entry.face else (crack, " ", Words(entry.face, f"{key}.face", "name"))


def _made_with(read: RunRead) -> Iterator[tuple[str, tuple[Part, ...]]]:
    yield "Run", (attribute(read, "run_id"),)
    yield "Recorded by", (attribute(read, "software"),)
    yield "Format of the record", (Words(FORMAT, "attr.format", "name"), ", version ", _version())


def _version() -> Measure:
    return Measure(VERSION, COUNT, "attr.version")


def about(read: RunRead) -> tuple[tuple[Part, ...], ...]:
    """Return what closes a report: program, format, and what it was made from."""
    found: list[tuple[Part, ...]] = [
        (
            "Recorded by ",
            attribute(read, "software"),
            " as ",
            attribute(read, "run_id"),
            ", format ",
            Words(FORMAT, "attr.format", "name"),
            ", version ",
            _version(),
            ".",
        )
    ]
    if read.whole.sha256:
        digest = Words(read.whole.sha256, f"file.{RUN_FILE}.sha256", "file")
        found.append(("Made from run.h5 with SHA-256 ", digest, "."))
    found += [("Numbers carry the key by which they can be found again in run.h5.",), (SAFETY,)]
    return tuple(found)
