"""A table in a text file: separator and heading found, then numbers, piece by piece.

numpy's own reader takes what is plain; a piece that it does not take is read field by field, so
that the first field that is wrong is named by its line and column.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import chain
from operator import methodcaller
from pathlib import Path
from typing import Any, Final, NoReturn

import numpy as np
from numpy.typing import NDArray

from rig.errors import InputError, Problem
from rig.replay.headings import Column, Layout, layout_of
from rig.replay.lines import Lines, lines_of
from rig.replay.rows_in import Rows, out_of_range, seconds_of
from rig.samples import FloatArray
from rig.units import shown

SEPARATORS: Final = {"\t": "tab", ";": "semicolon", ",": "comma"}
MOST_COLUMNS: Final = 1000
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_MISSING: Final = re.compile(r"(?:[+-]?nan)?", re.IGNORECASE)
_PARTED: Final = re.compile(r"[+-]?[0-9]{1,3}(?:[ '.,\u2019\u00a0\u202f][0-9]{3})+(?:[.,][0-9]*)?")
"""A number with a separator of thousands, as spreadsheets write it."""
_TEXT: Final = "U64"


@dataclass(frozen=True, slots=True)
class Table:
    """A text table whose heading was read: `rows` yields what stands under it."""

    path: Path
    separator: str
    decimal_comma: bool
    width: int
    layout: Layout

    def rows(self) -> Iterator[Rows]:
        """Yield the rows in pieces. Raises InputError for the first that cannot be read."""
        heading = True
        for lines in lines_of(self.path):
            if heading:
                lines, heading = Lines(lines.text[1:], lines.numbers[1:]), False
            if lines.text:
                yield self._parsed(lines)

    def _parsed(self, lines: Lines) -> Rows:
        found = self._quickly(lines)
        return found if found is not None else self._carefully(lines)

    def _quickly(self, lines: Lines) -> Rows | None:
        """Return the rows where all of them are plain, None where some is not."""
        whole, text = "\n".join(lines.text), lines.text
        if '"' in whole or (self.decimal_comma and "." in whole):
            return None
        separator, columns = self.separator, self.layout.columns
        if len(columns) < self.width and set(map(methodcaller("count", separator), text)) != {
            self.width - 1
        }:
            return None
        if self.decimal_comma:
            whole = whole.replace(",", ".")
        whole = _filled(whole, separator)
        dated = next((i for i, c in enumerate(columns) if c.dated), None)
        kinds = [(str(i), _TEXT if c.dated else "f8") for i, c in enumerate(columns)]
        try:
            read: Any = np.loadtxt(
                whole.split("\n"),
                np.float64 if dated is None else np.dtype(kinds),
                comments=None,
                delimiter=separator,
                # All of them: a row with more or fewer is refused.
                usecols=None if len(columns) == self.width else [c.place for c in columns],
                ndmin=2 if dated is None else 1,
            )
            if len(read) != len(text) or (dated is None and read.shape[1] != len(columns)):
                return None
            values = read if dated is None else _unpacked(read, dated)
        except ValueError:
            return None
        if np.isinf(values).any():
            return None
        return self._rows(values, np.asarray(lines.numbers, np.int64))

    def _carefully(self, lines: Lines) -> Rows:
        """Read field by field; missing values become NaN, the first wrong one is refused."""
        rows: list[list[float]] = []
        numbers: list[int] = []
        zoned: bool | None = None
        for number, line in zip(lines.numbers, lines.text, strict=True):
            fields = self._fields(number, line)
            if not any(fields):
                continue
            rows.append([self._value(number, c, fields[c.place]) for c in self.layout.columns])
            numbers.append(number)
            for column in self.layout.columns:
                if column.dated:
                    zone = datetime.fromisoformat(fields[column.place]).tzinfo is not None
                    if zoned not in (None, zone):
                        self._refuse(number, column.heading, *_ZONES)
                    zoned = zone
        values = np.array(rows).reshape(len(rows), len(self.layout.columns))
        return self._rows(values, np.array(numbers, np.int64))

    def _rows(self, values: FloatArray, numbers: NDArray[np.int64]) -> Rows:
        rows = Rows(values, numbers)
        out_of_range(str(self.path), self.layout, rows)
        return rows

    def _fields(self, number: int, line: str) -> list[str]:
        fields = _split(line, self.separator)
        if fields is None:
            self._refuse(number, "", "has a quote that is not closed", 'write "" for a quote')
        if len(fields) != self.width and any(fields):
            word = SEPARATORS[self.separator]
            hint = ""
            if self.separator == "," and len(fields) > self.width:
                hint = "; decimals are written with a point where commas separate"
            self._refuse(
                number,
                "",
                f"has {_counted(len(fields), 'field')}, the heading has {self.width}",
                f"separate them by one {word} each{hint}",
            )
        return fields

    def _value(self, number: int, column: Column, field: str) -> float:
        if column.dated:
            return self._moment(number, column, field)
        if _MISSING.fullmatch(field):
            return float("nan")
        plain = field
        if self.decimal_comma:
            if "." in field:
                remedy = "with --decimal comma write 1234,5, without separators of thousands"
                self._refuse(number, column.heading, f"{shown(field)} has a point", remedy)
            plain = field.replace(",", ".")
        if not _NUMBER.fullmatch(plain):
            self._refuse(number, column.heading, *self._no_number(field))
        value = float(plain)
        if np.isinf(value):
            self._refuse(number, column.heading, f"{shown(field)} is too large", "correct it")
        return value

    def _no_number(self, field: str) -> tuple[str, str]:
        if not self.decimal_comma and _NUMBER.fullmatch(field.replace(",", ".", 1)):
            return (
                f"{shown(field)} has a comma",
                "give --decimal comma if it is the decimal sign; if it parts thousands, take it "
                "out",
            )
        if _PARTED.fullmatch(field):
            return f"{shown(field)} has separators of thousands", "write all numbers without them"
        if set(field) == {"#"}:
            return (
                f"{shown(field)} is no number",
                "the column was too narrow where it was saved: widen it there and save again",
            )
        if re.fullmatch(r"[+-]?inf(inity)?", field, re.IGNORECASE):
            return f"{shown(field)} is not finite", _EMPTY
        if _is_moment(field):
            return (
                f"{shown(field)} is a date-time",
                'head a column of date-times "time", without a unit',
            )
        return f"{shown(field)} is no number", _EMPTY

    def _moment(self, number: int, column: Column, field: str) -> float:
        if not field:
            self._refuse(number, column.heading, "is empty", "each row needs its time")
        if not _is_moment(field):
            number_like = _NUMBER.fullmatch(field.replace(",", "."))
            what = "has no unit" if number_like else "is no date-time"
            self._refuse(number, column.heading, f"{shown(field)} {what}", _MOMENT)
        return float(seconds_of([field])[0])

    def _refuse(self, number: int, heading: str, problem: str, remedy: str) -> NoReturn:
        refuse_at(self.path, number, heading, problem, remedy)


_MOMENT: Final = 'write 2001-01-31T18:00:00.250, or head it "time [s]" and write seconds'
_ZONES: Final = "some have a zone and some none", "give all times with a zone, or all without"
_EMPTY: Final = "leave the field empty where nothing was measured"


def refuse_at(path: Path, line: int, heading: str, problem: str, remedy: str) -> NoReturn:
    """Raise InputError for one thing at a line and, unless "", a column of a file."""
    field = f"column {shown(heading)}" if heading else ""
    raise InputError([Problem(str(path), line, field, problem, remedy)])


def _unpacked(read: Any, dated: int) -> FloatArray:
    """Return rows of named fields as one array. Raises ValueError for a wrong date-time."""
    values = np.empty((len(read), len(read.dtype.names)))
    for index, name in enumerate(read.dtype.names):
        if index == dated:
            values[:, index] = seconds_of(map(str.strip, read[name].tolist()))
        else:
            values[:, index] = read[name]
    return values


def _filled(text: str, separator: str) -> str:
    """Return lines with `nan` in fields that are empty; not where all of a line are."""
    ends = (separator * 2, f"\n{separator}", f"{separator}\n")
    inside = text.startswith(separator) or text.endswith(separator)
    if not inside and not any(end in text for end in ends):
        return text
    empty = re.compile(rf"(?:^|(?<={separator})) *(?={separator}|$)")
    blank = f" {separator}"
    return "\n".join(
        empty.sub("nan", line) if line.strip(blank) else line for line in text.split("\n")
    )


def _is_moment(field: str) -> bool:
    try:
        seconds_of([field])
    except ValueError:
        return False
    return True


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _split(line: str, separator: str) -> list[str] | None:
    """Return the fields of a line, stripped; None where a quote is wrong."""
    if '"' not in line:
        return [field.strip() for field in line.split(separator)]
    try:
        rows = list(csv.reader([line], delimiter=separator, strict=True, skipinitialspace=True))
    except csv.Error:
        return None
    return [field.strip() for field in rows[0]] if rows else [""]


def open_table(path: Path, *, decimal_comma: bool, mapped: Mapping[str, str]) -> Table:
    """Read the heading of a text file. Raises InputError with every problem in it, OSError."""
    lines = next(lines_of(path), None)
    if lines is None:
        raise InputError(f"{path}: is empty; give a heading and rows under it")
    line, number = lines.text[0], lines.numbers[0]
    separator, headings = _heading(path, number, line)
    if decimal_comma and separator == ",":
        refuse_at(
            path,
            number,
            "",
            "commas separate its columns and cannot be decimal signs too",
            "separate by semicolons or tabs, or leave out --decimal comma",
        )
    while headings and not headings[-1]:
        # A separator at the end of each line makes no column.
        headings = headings[:-1]
    if all(_NUMBER.fullmatch(h.replace(",", ".")) for h in headings):
        refuse_at(
            path,
            number,
            "",
            "has numbers where the heading belongs",
            "write a first line such as time [s],load [kN],midspan [mm]",
        )
    layout, problems = layout_of(str(path), number, headings, mapped)
    if layout is None:
        raise InputError(problems)
    width = len(_split(line, separator) or ())
    return Table(path, separator, decimal_comma, width, layout)


def _heading(path: Path, number: int, line: str) -> tuple[str, list[str]]:
    """Return the separator that a heading shows, and its fields."""
    found = [(s, f) for s in SEPARATORS if (f := _split(line, s)) is not None and len(f) > 1]
    if not found:
        if line.count('"') % 2:
            refuse_at(path, number, "", "has a quote that is not closed", 'write "" for a quote')
        refuse_at(
            path,
            number,
            "",
            f"the heading {shown(line.strip())} has one column",
            "separate columns by comma, semicolon or tab, a time and a load at least; begin lines "
            "above the heading with #",
        )
    separator, fields = found[0]
    if len(fields) > MOST_COLUMNS:
        refuse_at(path, number, "", f"has {len(fields):,} columns", f"give at most {MOST_COLUMNS}")
    return separator, fields


def first_and_rest(rows: Iterator[Rows]) -> tuple[Rows | None, Iterator[Rows]]:
    """Return the first piece of rows, None where there is none, and all pieces again."""
    first = next((r for r in rows if len(r)), None)
    return first, rows if first is None else chain([first], rows)
