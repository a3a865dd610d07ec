"""Parts of sentences as HTML: each number and word of the record in an element with its key."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final

from markupsafe import Markup, escape

from rig.report.measure import COUNT, Cell, Measure, Part, Stamp, Table, Words, parts_of, plain
from rig.report.page_words import pieces

_LONG: Final = 2000
"""Letters of a text from which on it scrolls in a box of its own."""
_WORD: Final = 40
"""Letters of a word from which on it may be broken anywhere."""

_BRIEF, _PROSE = 16, 40
"""Letters of a cell up to which it stays on one line, and from which on it needs more room."""

_DATA: Final = Markup('<data value="{}" data-key="{}" data-unit="{}"{}>{}</data>')
_TIME: Final = Markup('<time datetime="{}" data-key="{}">{}</time>')
_WORDS: Final = Markup('<bdi class="{}" data-key="{}"{}>{}</bdi>')
_CODE: Final = Markup('<span class="code">{}</span>')
_RAW: Final = Markup(' data-json="{}"')
_BLANK: Final = Markup(' class="blank"')
_FOCUS: Final = Markup(' tabindex="0" role="group" aria-label="long text"')


def parts(given: Iterable[Part]) -> Markup:
    """Return parts one behind the other."""
    return Markup("").join(map(_part, given))


def cell(given: Cell) -> Markup:
    """Return a cell of a table."""
    return parts(parts_of(given))


def classes(table: Table) -> list[list[str]]:
    """Return of each cell, by rows, what it is: "number", "brief", "words" or "prose".

    Words of the report in a column of numbers stand for a number.
    """
    numeric = numeric_columns(table)
    return [
        [_class(cell, number=number) for cell, number in zip(row, numeric, strict=True)]
        for row in table.rows
    ]


def _class(given: Cell, *, number: bool) -> str:
    letters = len(plain(parts_of(given)))
    if letters > _BRIEF:
        return "prose" if letters > _PROSE else "words"
    return "number" if number else "brief"


def numeric_columns(table: Table) -> list[bool]:
    """Return of each column whether it has numbers, and nothing else but words in their place."""
    columns = zip(*table.rows, strict=True)
    found = [_numeric([parts_of(cell) for cell in column]) for column in columns]
    return found or [False] * len(table.heads)


def _numeric(cells: Sequence[tuple[Part, ...]]) -> bool:
    alone = [cell[0] for cell in cells if len(cell) == 1]
    return (
        len(alone) == len(cells)
        and all(isinstance(part, Measure | str) for part in alone)
        and any(isinstance(part, Measure) for part in alone)
    )


def _part(part: Part) -> Markup:
    match part:
        case Measure():
            blank = _BLANK if math.isnan(part.value) else ""
            return _DATA.format(value_of(part), part.key, part.unit, blank, part.text)
        case Stamp():
            return _stamp(part)
        case Words():
            return _words(part.text, part.key, part.kind)
        case _:
            return escape(part)


def value_of(measure: Measure) -> str:
    """Return the SI value as text that reads back as the same number; counts as whole ones."""
    value = float(measure.value)
    if measure.unit == COUNT and value.is_integer():
        return repr(int(measure.value))
    return repr(value)


def _stamp(stamp: Stamp) -> Markup:
    try:
        datetime.fromisoformat(stamp.iso)
    except ValueError:
        return _words(stamp.iso, stamp.key, "name")
    return _TIME.format(stamp.iso, stamp.key, stamp.text)


def _words(text: str, key: str, kind: str) -> Markup:
    """Return words; where codes stand in for signs of them, `data-json` has the text itself."""
    found = list(pieces(text))
    shown = Markup("").join(_CODE.format(piece) if code else escape(piece) for piece, code in found)
    more = _RAW.format(json.dumps(text)) if any(code for _, code in found) else Markup("")
    names = [kind]
    if len(text) > _WORD and any(len(word) > _WORD for word in text.split()):
        names.append("unbroken")
    if len(text) > _LONG:
        names.append("long")
        more += _FOCUS
    return _WORDS.format(" ".join(names), key, more, shown)
