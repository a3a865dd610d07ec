"""The blocks of a report as rows of a paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import zip_longest
from typing import Final

from rig.report.document import (
    Blanks,
    Block,
    Caution,
    Drawn,
    Facts,
    Items,
    Listed,
    Paragraph,
    Photo,
    Signatures,
)
from rig.report.letters import width_of, wrap
from rig.report.measure import Part
from rig.report.paper_rows import (
    BODY,
    DIM,
    LEFT,
    LIGHT,
    PALE,
    RULE,
    SMALL,
    WIDE,
    Bar,
    Line,
    Placed,
    Row,
    base,
    beside,
    kept,
    line_height,
    said,
    text_rows,
    white,
)
from rig.report.paper_table import table_rows
from rig.report.paper_tags import Element

SIGN: Final = "⚠"
FIGURE_MOST: Final = 190.0
"""Tallest figure [mm]: its heading and its words have room on the same page."""
PICTURE_WIDE: Final = 87.0
PICTURE_MOST: Final = 95.0
"""Room of a picture [mm], two of them side by side."""
_BETWEEN: Final = WIDE - 2 * PICTURE_WIDE
_NAMES_MOST: Final = 58.0
"""Widest column of names of facts [mm]."""
_INDENT: Final = 4.0
_HEADED: Final = 24.0
"""Room of sign and word beside a caution [mm]."""
_BAR: Final = 1.2
_LEADING: Final = 7
"""Rows of a paragraph that stay on one page with the figure, table or lines that they lead to."""

_LED_TO: Final = (Drawn, Photo, Listed, Blanks)
"""What a paragraph before it leads to."""

Sizes = Mapping[str, tuple[float, float]]
"""Width and height of each figure [mm] by its name."""


def block_rows(blocks: Sequence[Block], sizes: Sizes, numbers: Mapping[str, int]) -> list[Row]:
    """Return blocks as rows; `numbers` are those of the figures by name."""
    rows: list[Row] = []
    pictures: list[Photo] = []
    for block, after in zip_longest(blocks, blocks[1:]):
        if isinstance(block, Photo):
            pictures.append(block)
            continue
        rows += _picture_rows(pictures)
        pictures = []
        made = _rows(block, sizes, numbers)
        leads = isinstance(block, Paragraph) and isinstance(after, _LED_TO)
        rows += kept(made) if leads and len(made) <= _LEADING else made
    return rows + _picture_rows(pictures)


def _rows(block: Block, sizes: Sizes, numbers: Mapping[str, int]) -> list[Row]:
    match block:
        case Paragraph(parts):
            return [white(1.5), *text_rows(said(parts))]
        case Caution(parts):
            return caution_rows("Caution", parts)
        case Items(rows):
            whole = Element("L")
            return [white(1.5), *(line for parts in rows for line in _item(parts, whole))]
        case Facts(facts):
            return _fact_rows(facts)
        case Listed(caption, table):
            head = text_rows(said(caption), size=SMALL + 0.5, weight="bold")
            return [white(2.5), *kept(head), *table_rows(table)]
        case Drawn():
            return _figure_rows(block, sizes[block.name], numbers[block.name])
        case Blanks(names):
            return [white(4.0), *(_to_write(name) for name in names)]
        case Signatures(roles):
            return [white(4.0), *_together([_to_sign(role) for role in roles])]
        case Photo():
            return _picture_rows([block])


def caution_rows(word: str, parts: tuple[Part, ...]) -> list[Row]:
    """Return what must not be overlooked, with a sign and a word that says so."""
    width = WIDE - _HEADED - 2.0
    told = Element("P")
    rows = text_rows(said(parts), x=LEFT + _HEADED, width=width, element=told)
    named = Line(LEFT + _BAR + 2.0, base(BODY), f"{SIGN} {word}", BODY, "bold", element=told)
    height = line_height(BODY)
    ground = (Bar(LEFT, 0.0, WIDE, height, PALE), Bar(LEFT, 0.0, _BAR, height))
    grounded = [replace(row, marks=(*ground, *row.marks)) for row in beside(rows, named)]
    return [white(2.0), *grounded]


def _item(parts: tuple[Part, ...], whole: Element) -> list[Row]:
    item = Element("LI", whole)
    told = Element("LBody", item)
    rows = text_rows(said(parts), x=LEFT + _INDENT, width=WIDE - _INDENT, element=told)
    return beside(rows, Line(LEFT + 1.0, base(BODY), "•", BODY, element=Element("Lbl", item)))


def _fact_rows(facts: Sequence[tuple[str, tuple[Part, ...]]]) -> list[Row]:
    names = [said(name) for name, _ in facts]
    wide = min(max((width_of(name, BODY) for name in names), default=0.0) + 0.1, _NAMES_MOST)
    x = LEFT + wide + 4.0
    rows, whole = [white(1.5)], Element("Table")
    for name, (_, parts) in zip(names, facts, strict=True):
        row = Element("TR", whole)
        head = Element("TH", row, scope="Row")
        left = text_rows(name, width=wide, grey=DIM, element=head)
        cell = Element("TD", row)
        values = text_rows(said(parts), x=x, width=LEFT + WIDE - x, element=cell)
        pairs = [
            Row(line_height(BODY), tuple(mark for row in pair for mark in row.marks), keep=True)
            for pair in _pairs(left, values)
        ]
        # A long text may go on on the next page, a short one stays whole.
        short = len(pairs) <= 6
        rows += [Row(p.height, p.marks, keep=short or at == 0) for at, p in enumerate(pairs)]
        rows.append(Row(0.9, (Bar(LEFT, 0.3, WIDE, RULE, LIGHT),)))
    return rows


def _pairs(left: Sequence[Row], values: Sequence[Row]) -> list[tuple[Row, ...]]:
    count = max(len(left), len(values))
    return [tuple(rows[at] for rows in (left, values) if at < len(rows)) for at in range(count)]


def _figure_rows(block: Drawn, size: tuple[float, float], number: int) -> list[Row]:
    """Return a figure, below it number, title and what it shows, then its table."""
    scale = min(1.0, WIDE / size[0], FIGURE_MOST / size[1])
    width, height = size[0] * scale, size[1] * scale
    named = f"Figure {number}. {said(block.title)}"
    seen = Element("Figure", alt=f"{named}. What it shows is told below it.")
    placed = Placed(block.name, LEFT + (WIDE - width) / 2, 0.0, width, height, seen)
    caption = text_rows(named, size=SMALL + 0.5, weight="bold")
    told = text_rows(said(block.told.sentence), size=SMALL + 0.5)
    rows = [white(3.0), Row(height, (placed,), keep=True), *kept(caption), *told]
    if block.told.table.rows:
        rows += [white(1.2), *table_rows(block.told.table, SMALL - 0.5)]
    return [*rows, Row(2.0, gap=True)]


def picture_name(photo: Photo) -> str:
    """Return the name of a picture among what is placed; no figure has such a one."""
    return f"picture {photo.name}"


def _picture_rows(photos: Sequence[Photo]) -> list[Row]:
    """Return pictures two by two, what each is below it."""
    rows: list[Row] = []
    for begin in range(0, len(photos), 2):
        pair = photos[begin : begin + 2]
        sizes = [_picture_size(photo) for photo in pair]
        tall = max(height for _, height in sizes)
        xs = [LEFT + at * (PICTURE_WIDE + _BETWEEN) for at in range(len(pair))]
        marks = tuple(
            _picture(photo, x, tall, size) for photo, x, size in zip(pair, xs, sizes, strict=True)
        )
        told = [
            text_rows(said(photo.told), x=x, width=PICTURE_WIDE, size=SMALL)
            for photo, x in zip(pair, xs, strict=True)
        ]
        lines = _pairs(told[0], told[-1] if len(told) > 1 else [])
        rows += [white(3.0), Row(tall + 1.0, marks, keep=True)]
        for at, line in enumerate(lines):
            both = tuple(mark for row in line for mark in row.marks)
            rows.append(Row(line_height(SMALL), both, keep=at + 1 < min(len(lines), 8)))
    return rows


def _picture(photo: Photo, x: float, tall: float, size: tuple[float, float]) -> Placed:
    seen = Element("Figure", alt=f"Picture: {said(photo.told)}")
    return Placed(picture_name(photo), x, tall - size[1], *size, seen)


def _picture_size(photo: Photo) -> tuple[float, float]:
    wide, tall = photo.size
    scale = min(PICTURE_WIDE / max(wide, 1), PICTURE_MOST / max(tall, 1))
    return wide * scale, tall * scale


def _together(rows: Sequence[Row]) -> list[Row]:
    return [*kept(rows[:-1]), *rows[-1:]]


def _to_write(name: str) -> Row:
    """Return a line to be written on, with what belongs there."""
    told, y = Element("P"), 8.0
    marks: list[Bar | Line] = [
        Line(LEFT, y - 0.8 - back * line_height(BODY), text, BODY, element=told)
        for back, text in _role(name, "normal")
    ]
    return Row(9.0, (*marks, Bar(LEFT + 46.0, y, WIDE - 46.0, RULE * 1.5, DIM)))


def _to_sign(role: str) -> Row:
    """Return a line to be signed: role, name and signature, date."""
    told, y, spots = (
        Element("P"),
        11.0,
        ((LEFT + 46.0, 82.0, "name and signature"), (LEFT + 134.0, 46.0, "date")),
    )
    marks: list[Bar | Line] = [
        Line(LEFT, y - 0.8 - back * line_height(BODY), text, BODY, "bold", element=told)
        for back, text in _role(role)
    ]
    for x, width, word in spots:
        marks.append(Bar(x, y, width, RULE * 1.5, DIM))
        marks.append(Line(x, y + base(SMALL - 1) + 0.3, word, SMALL - 1, "normal", DIM, told))
    return Row(15.0, tuple(marks))


def _role(role: str, weight: str = "bold") -> list[tuple[int, str]]:
    """Return a role in three lines at most, each with how many follow it."""
    lines = wrap(said(role), 44.0, BODY, weight)[:3]
    return [(len(lines) - 1 - at, line) for at, line in enumerate(lines)]
