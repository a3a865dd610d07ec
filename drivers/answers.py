"""What stands in an answer of one line: fields, numbers, words.

The forms are those of response data in IEEE 488.2: numbers as NR1, NR2 or NR3, strings in
quotes that are doubled inside. Fields are parted by commas, or by semicolons where a device
answers several questions in one line. Every function raises ValueError for what does not fit.
"""

from __future__ import annotations

import math
import re
from typing import Final

NOT_A_NUMBER: Final = 9.9e37
"""SCPI-1999 writes infinity as 9.9E37 and "not a number" as 9.91E37: no values."""

_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_FIELD: Final = re.compile(r'(?:"(?:[^"]|"")*"|[^",;])*')


def fields(answer: str) -> tuple[str, ...]:
    """Return the fields of an answer; separators inside quotes part nothing."""
    found = []
    at = 0
    while True:
        match = _FIELD.match(answer, at)
        end = match.end() if match else at
        found.append(answer[at:end].strip())
        if end == len(answer):
            return tuple(found)
        if answer[end] not in ",;":
            raise ValueError("a quote is not closed")
        at = end + 1


def unquoted(field: str) -> str:
    """Return a field without the quotes about it."""
    if len(field) >= 2 and field[0] == field[-1] == '"':
        return field[1:-1].replace('""', '"')
    return field


def number(field: str) -> float:
    """Return a field as a finite number."""
    if not _NUMBER.fullmatch(field):
        raise ValueError(f'"{field:.40}" is no number')
    value = float(field)
    if abs(value) >= NOT_A_NUMBER:
        raise ValueError(f'"{field:.40}" stands for no value')
    return value


def bound(field: str) -> float:
    """Return a field as a bound, infinite where SCPI-1999 says so: there is none on that side."""
    if _NUMBER.fullmatch(field) and abs(float(field)) == NOT_A_NUMBER:
        return math.copysign(math.inf, float(field))
    return number(field)


def whole(field: str) -> int:
    """Return a field as a whole number, however it is written."""
    value = number(field)
    if not value.is_integer():
        raise ValueError(f'"{field:.40}" is no whole number')
    return int(value)
