"""The cracks of a run in its report, and what people found after the end."""

from __future__ import annotations

from collections.abc import Iterator

from rig.report.crack_sections import crack_blocks
from rig.report.document import Listed, Paragraph, Section
from rig.report.measure import COUNT, Cell, Measure, Table, Words
from rig.report.photos import photo_blocks
from rig.report.run_after import facts_after, said_after
from rig.report.run_reading import RunRead


def cracks_section(read: RunRead) -> Section:
    """Return maps, growth and readings of the cracks."""
    pictures = photo_blocks(read.folder, read.cracks)
    return Section("cracks", "Cracks", (*crack_blocks(read.recording, read.plan), *pictures))


def after_section(read: RunRead) -> Section:
    """Return what people found and wrote after the end."""
    rows = tuple(_found(read))
    title = "Found after the end"
    if not rows:
        said = "Nobody has yet said what was found after the end."
        return Section("after-the-end", title, (Paragraph((said,)),))
    caption = ("What people found after the end, the newest word on each",)
    table = Table(("what", "said", "wires", "by", "entry"), rows)
    return Section("after-the-end", title, (Listed(caption, table),))


def _found(read: RunRead) -> Iterator[tuple[Cell, ...]]:
    for fact in (*facts_after(read.cracks).values(), *said_after(read.cracks)):
        key = f"cracks.{fact.row}"
        wires: Cell = Measure(fact.wires, COUNT, f"{key}.wires") if fact.name == "wires" else ""
        name: Cell = Words(fact.name, f"{key}.fact", "name") if fact.name != "words" else "words"
        number = read.cracks[fact.row].number
        yield name, fact.words, wires, fact.by, Measure(number, COUNT, f"{key}.entry")
