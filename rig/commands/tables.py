"""Lines and tables on a page as wide as a terminal, and the numbers in them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, Final, TextIO

from rich.console import Console
from rich.table import Table

from rig.commands.saying import folded, width_of
from rig.monitor.paint import can_paint

WHOLE: Final = 100_000
"""Cells of a line where there is no terminal: no row is broken."""
NONE: Final = "-"

Row = Sequence[str]
Printed = tuple[str, Sequence[str], Sequence[Row]]
"""A table's title, the heads of its further columns, its rows."""


class Page:
    """Lines and tables one below the other, as wide as a stream's terminal."""

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream
        self._paints = stream is not None and can_paint(stream)
        self._console = Console(
            width=width_of(stream) or WHOLE,
            force_terminal=self._paints,
            highlight=False,
            markup=False,
            emoji=False,
        )
        self._parts: list[str] = []

    def lines(self, *lines: str) -> None:
        """Add lines, broken between words where they are too long."""
        self._parts += [folded(line, self._stream) for line in lines]

    def table(self, title: str, heads: Sequence[str], rows: Iterable[Row]) -> None:
        """Add a table after an empty line; all its columns but the first are numbers or words.

        A head with its unit behind a line break is a number's, and set to the right.
        """
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
        table.add_column(title, vertical="bottom")
        for head in heads:
            table.add_column(head, justify="right" if "\n" in head else "left", vertical="bottom")
        for row in rows:
            table.add_row(f"  {row[0]}", *row[1:])
        with self._console.capture() as captured:
            self._console.print(table)
        self._parts += ["", *(line.rstrip() for line in captured.get().rstrip("\n").split("\n"))]

    def text(self) -> str:
        """Return the whole page."""
        return "\n".join(self._parts)


def number(value: float | None, digits: int = 4) -> str:
    """Return a number to so many digits that count, "-" for none."""
    if value is None or not math.isfinite(value):
        return NONE
    # Rounded first: 99.9996 has as many digits before the point as 100.
    rounded = float(f"{value:.{digits}g}")
    after = digits - 1 - math.floor(math.log10(abs(rounded))) if rounded else 0
    return f"{rounded:,.{max(0, after)}f}"


def kilo(value: float | None) -> str:
    """Return a number in thousands of its unit."""
    return number(None if value is None else value / 1e3)


def mega(value: float | None) -> str:
    """Return a number in millions of its unit."""
    return number(None if value is None else value / 1e6, 3 if value and value < 1e8 else 4)


def milli(value: float | None, digits: int = 3) -> str:
    """Return a number in thousandths of its unit."""
    return number(None if value is None else value * 1e3, digits)


def decades(log10: Any) -> str:
    """Return a logarithm of cycles, "-" for no end."""
    return NONE if log10 == math.inf else f"{float(log10):.1f}"


def cycles(log10: Any) -> str:
    """Return a count as "1.8e6", whatever its size."""
    if log10 == math.inf:
        return "no end"
    if log10 < 4:
        return f"{10 ** float(log10):,.0f}"
    # Rounded first: 9.96 would be written as 10.0.
    mantissa, exponent = f"{10 ** (float(log10) % 1):.1e}".split("e")
    return f"{mantissa}e{math.floor(float(log10)) + int(exponent)}"
