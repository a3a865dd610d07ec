"""Rows of a paper on its pages: what belongs together stays so, heads of tables come again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from rig.report.paper_rows import Row, of_page

WIDTH: Final = 210.0
HEIGHT: Final = 297.0
"""A4 [mm] (ISO 216)."""
TOP: Final = 20.0
BOTTOM: Final = 280.0
"""Between these [mm] from the upper edge of the page stand its rows."""

Page = tuple[tuple[float, Row], ...]
"""Rows, each with the place of its top below the upper edge of the page [mm]."""


def paged(rows: Sequence[Row]) -> list[Page]:
    """Return rows on pages; rows kept together that no page has room for are parted."""
    pages: list[list[tuple[float, Row]]] = [[]]
    y = TOP
    for group in _groups(rows):
        height = sum(row.height for row in group)
        whole = TOP + _head_height(group[0]) + height <= BOTTOM
        for at, row in enumerate(group):
            needed = height if whole and at == 0 else row.height
            if pages[-1] and (at == 0 or not whole) and y + needed > BOTTOM:
                pages.append([])
                y = TOP
            if not pages[-1]:
                if row.gap:
                    continue
                if row.head is not None:
                    pages[-1].append((y, of_page(row.head)))
                    y += row.head.height
            pages[-1].append((y, row))
            y += row.height
    return [tuple(page) for page in pages if page]


def _head_height(row: Row) -> float:
    return 0.0 if row.head is None else row.head.height


def _groups(rows: Sequence[Row]) -> Iterator[list[Row]]:
    """Yield rows that stay together."""
    group: list[Row] = []
    for row in rows:
        group.append(row)
        if not row.keep:
            yield group
            group = []
    if group:
        yield group


def anchors(pages: Sequence[Page]) -> dict[str, tuple[int, float]]:
    """Return where the named parts begin: the page, from 0, and how far down it [mm]."""
    return {
        row.anchor: (number, y)
        for number, page in enumerate(pages)
        for y, row in page
        if row.anchor
    }
