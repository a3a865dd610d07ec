"""Every part of a report: of its sentences, facts, tables and of what its figures show."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rig.report.document import (
    Blanks,
    Block,
    Document,
    Drawn,
    Facts,
    Items,
    Listed,
    Photo,
    Signatures,
)
from rig.report.measure import Part, Table, parts_of


def parts(document: Document) -> Iterator[Part]:
    """Yield every part of a report."""
    yield from (*document.title, *document.lead)
    for row in (*document.warnings, *document.about):
        yield from row
    for section in document.sections:
        yield section.title
        yield from parts_in(section.blocks)


def parts_in(blocks: Iterable[Block]) -> Iterator[Part]:
    """Yield every part of blocks."""
    for block in blocks:
        yield from _of_block(block)


def _of_block(block: Block) -> Iterator[Part]:
    match block:
        case Facts():
            for label, fact in block.rows:
                yield from (label, *fact)
        case Items():
            for row in block.rows:
                yield from row
        case Listed():
            yield from (*block.caption, *_of_table(block.table))
        case Drawn():
            yield from (block.title, *block.told.sentence, *_of_table(block.told.table))
        case Signatures():
            yield from block.roles
        case Blanks():
            yield from block.names
        case Photo():
            yield from block.told
        case _:
            yield from block.parts


def _of_table(table: Table) -> Iterator[Part]:
    yield from table.heads
    for row in table.rows:
        assert len(row) == len(table.heads)
        for cell in row:
            yield from parts_of(cell)
