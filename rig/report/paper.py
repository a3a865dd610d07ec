"""A report on paper: pages of A4 as PDF, in black on white, with figures that stay lines."""

from __future__ import annotations

import re
import stat
from collections.abc import Mapping
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.record.trouble import storage
from rig.report.crack_text import short
from rig.report.document import Document, Drawn, Photo, Section
from rig.report.paper_blocks import Sizes, block_rows, caution_rows, picture_name
from rig.report.paper_pages import Page, anchors, paged
from rig.report.paper_pdf import HEAD, text_string
from rig.report.paper_rows import (
    BODY,
    DIM,
    LEFT,
    RULE,
    SMALL,
    WIDE,
    Bar,
    Line,
    Row,
    base,
    kept,
    line_height,
    right,
    said,
    text_rows,
    white,
)
from rig.report.paper_sheets import Printed, printed
from rig.report.paper_tags import Element

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MARKER: Final = "nightrig report"
"""By this a report is known as one of this program."""
ABOUT: Final = "About this report"
ACCESSIBLE: Final = (
    "The page of the same report (HTML) is the better one for screen readers, though headings, "
    "tables and figures have tags here; it also has letters that this paper's font shows as ?."
)
_TITLE: Final = 16.0
_HEADING: Final = 12.0
_LEAD: Final = 10.5
_LISTED: Final = 8.0
"""Sizes of text [pt]."""
_HEAD_AT: Final = 10.0
_FOOT_AT: Final = 283.0
"""Where head and foot of a page stand [mm from the upper edge]."""
_NEAR: Final = 8192
"""Bytes at the beginning of a file that hold what it says of itself."""


def write_paper(
    document: Document, path: Path, figures: Mapping[str, Figure], of: str = ""
) -> None:
    """Write a report as PDF with its figures by name, each as it was drawn for it.

    `of` says what it is a report of. The same report gives the same bytes. Raises StorageError.
    """
    data = paper_bytes(document, figures, of)
    with storage(path, "write the report"):
        path.write_bytes(data)


def paper_bytes(document: Document, figures: Mapping[str, Figure], of: str = "") -> bytes:
    """Return the PDF that `write_paper` writes."""
    pages = laid_out(document, sizes_of(figures))
    blocks = chain.from_iterable(section.blocks for section in document.sections)
    pictures = {picture_name(block): block for block in blocks if isinstance(block, Photo)}
    places = anchors(pages)
    names = [*((s.name, s.title) for s in document.sections), (ABOUT, ABOUT)]
    told = {
        "Keywords": MARKER,
        "Subject": of,
        "Creator": "nightrig",
        "Title": said(document.title),
    }
    parts = [(said(title), *places[name]) for name, title in names]
    return printed(Printed(pages, figures, pictures, parts, told))


def sizes_of(figures: Mapping[str, Figure]) -> dict[str, tuple[float, float]]:
    """Return width and height of figures [mm] by name."""
    sizes = {name: figure.get_size_inches() for name, figure in figures.items()}
    return {name: (25.4 * float(wide), 25.4 * float(tall)) for name, (wide, tall) in sizes.items()}


def is_our_paper(path: Path, of: str = "") -> bool:
    """Tell whether a file is such a report, and of what is said, if that is."""
    told = f"<< /Keywords {text_string(MARKER)} /Subject {text_string(of) if of else ''}"
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            return False
        with path.open("rb") as file:
            begin = file.read(_NEAR)
    except OSError:
        return False
    return (
        re.match(re.escape(HEAD) + rb"\d+ 0 obj\n" + re.escape(told.encode("ascii")), begin)
        is not None
    )


def laid_out(document: Document, sizes: Sizes) -> list[Page]:
    """Return the pages of a report; `sizes` are width and height of its figures [mm] by name."""
    numbers = _numbers(document)
    body: list[Row] = []
    for section in document.sections:
        body += _heading(section.title, section.name)
        body += block_rows(section.blocks, sizes, numbers)
    body += _about(document)
    # Page numbers in the list of parts take no other room than none.
    first = paged([*_top(document, {}), *body])
    on = {name: page + 1 for name, (page, _) in anchors(first).items()}
    pages = paged([*_top(document, on), *body])
    return [_framed(page, at, len(pages), document) for at, page in enumerate(pages, start=1)]


def _numbers(document: Document) -> dict[str, int]:
    blocks = chain.from_iterable(section.blocks for section in document.sections)
    drawn = (block.name for block in blocks if isinstance(block, Drawn))
    return {name: number for number, name in enumerate(drawn, start=1)}


def _top(document: Document, on: Mapping[str, int]) -> list[Row]:
    """Return title, lead, warnings, and the list of parts with their pages."""
    title = said(document.title)
    rows = [
        *kept(text_rows(said(document.kind), size=BODY, grey=DIM)),
        *kept(text_rows(title, size=_TITLE, weight="bold", element=Element("H1"))),
        white(2.0),
        *text_rows(said(document.lead), size=_LEAD),
    ]
    for warning in document.warnings:
        rows += caution_rows("Warning", warning)
    return [*rows, white(4.0), *_contents(document.sections, on)]


def _contents(sections: tuple[Section, ...], on: Mapping[str, int]) -> list[Row]:
    """Return the parts and their pages in two columns."""
    named = [(said(section.title), on.get(section.name)) for section in sections]
    named.append((ABOUT, on.get(ABOUT)))
    half, wide = (len(named) + 1) // 2, WIDE / 2 - 4.0
    rows, whole, y = [], Element("TOC"), base(_LISTED)
    for at in range(half):
        marks: list[Line] = []
        for x, (title, page) in zip((LEFT, LEFT + WIDE / 2 + 4.0), named[at::half], strict=False):
            item = Element("TOCI", whole)
            shown = short(title, wide - 10.0, _LISTED), "" if page is None else str(page)
            left, end = (Line(x, y, text, _LISTED, element=item) for text in shown)
            marks += [left, right(x + wide, end)]
        rows.append(Row(line_height(_LISTED), tuple(marks), keep=at + 1 < half))
    return rows


def _heading(title: str, name: str) -> list[Row]:
    lines = kept(text_rows(said(title), size=_HEADING, weight="bold", element=Element("H2")))
    first = lines[0]
    rule = Row(1.2, (Bar(LEFT, 0.4, WIDE, RULE * 2, DIM),), keep=True)
    anchor = Row(first.height, first.marks, keep=True, anchor=name)
    return [white(6.0), anchor, *lines[1:], rule]


def _about(document: Document) -> list[Row]:
    rows = _heading(ABOUT, ABOUT)
    for parts in document.about:
        rows += [white(0.8), *text_rows(said(parts), size=SMALL + 0.5)]
    return [*rows, white(0.8), *text_rows(ACCESSIBLE, size=SMALL + 0.5)]


def _framed(page: Page, number: int, count: int, document: Document) -> Page:
    """Return a page with its head, which the first has not, and its foot."""
    y = base(SMALL)
    foot = right(LEFT + WIDE, Line(LEFT, y, f"page {number} of {count}", SMALL))
    framed = (*page, (_FOOT_AT, Row(line_height(SMALL), (foot,))))
    if number == 1:
        return framed
    kind, room = said(document.kind), WIDE / 3
    title = short(said(document.title), WIDE - room - 4.0, SMALL)
    marks = (
        Line(LEFT, y, short(kind, room, SMALL), SMALL, grey=DIM),
        right(LEFT + WIDE, Line(LEFT, y, title, SMALL)),
        Bar(LEFT, line_height(SMALL) + 0.6, WIDE, RULE, DIM),
    )
    return ((_HEAD_AT, Row(line_height(SMALL) + 1.0, marks)), *framed)
