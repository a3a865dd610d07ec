"""Cells of CSV files: numbers that read back bit for bit, and texts that no spreadsheet runs."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from itertools import chain
from typing import Any, Final

import numpy as np

Values = np.ndarray[Any, np.dtype[Any]]

PREFIX: Final = "'"
_STARTS_FORMULA: Final = frozenset("=+-@\uff1d\uff0b\uff0d\uff20" + PREFIX)
"""What a spreadsheet takes for the beginning of a formula, in both widths; and our own mark."""
_SPLITS: Final = re.compile(r"[;\t\n](?=[\s\"]*[=+\-@\uff1d\uff0b\uff0d\uff20])")
"""What begins a new cell where a spreadsheet takes another separator than the comma, and a formula
behind it."""
_LINES: Final = 4096
_KEPT: Final = "\n\t"
"""Control characters that a quoted cell holds as they are."""
_OBEYED: Final = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
"""Classes of characters that a terminal or an editor obeys."""
_ESCAPED: Final = re.compile(r"\\(?:x([0-9a-f]{2})|u([0-9a-f]{4})|U([0-9a-f]{8})|\\)")


def text_cell(text: str) -> str:
    r"""Return a text as it stands in a cell, before commas and quotes are seen to.

    One that a spreadsheet would run, or that begins with our mark, gets `'` before it. Control
    characters are written as `\x1b`, `\u202e`, a backslash as two; new lines and tabs stay, but
    where a formula would follow in a cell of its own: there they, and a semicolon, are written so.
    """
    plain = _SPLITS.sub(lambda found: f"\\x{ord(found[0]):02x}", "".join(map(_escape, text)))
    return PREFIX + plain if plain.lstrip()[:1] in _STARTS_FORMULA else plain


def cell_text(cell: str) -> str:
    """Return the text that `text_cell` was given."""
    return _ESCAPED.sub(_unescape, cell.removeprefix(PREFIX))


def _escape(letter: str) -> str:
    if letter == "\\":
        return "\\\\"
    if letter in _KEPT or unicodedata.category(letter) not in _OBEYED:
        return letter
    code = ord(letter)
    if code < 0x100:
        return f"\\x{code:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def _unescape(found: re.Match[str]) -> str:
    digits = found[1] or found[2] or found[3]
    return chr(int(digits, 16)) if digits else "\\"


def number_lines(columns: Sequence[Values]) -> Iterator[str]:
    """Yield the lines of a table of numbers, some thousand at a time; shape (rows,) each.

    Float64 has the fewest digits that read back the same; NaN is an empty cell.
    """
    line = ",".join(map(_form, columns)) + "\n"
    for start in range(0, len(columns[0]), _LINES):
        rows = zip(*(c[start : start + _LINES].tolist() for c in columns), strict=True)
        cells = tuple(chain.from_iterable(rows))
        yield _without_nan(line * (len(cells) // len(columns)) % cells)


def number_cells(column: Values) -> list[str]:
    """Return the cells of one column of numbers, as `number_lines` writes them."""
    form = _form(column)
    return [_without_nan(form % value) for value in column.tolist()]


def _form(column: Values) -> str:
    return "%r" if column.dtype.kind == "f" else "%d"


def _without_nan(text: str) -> str:
    # No number is written with another word that has these letters in it.
    return text.replace("nan", "")
