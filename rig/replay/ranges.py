"""Ranges of values as people write them: "10 % .. 50 %", "10 % .. 50 % in 5", "10 %, 20 %"."""

from __future__ import annotations

import re
from typing import Final

from rig.errors import InputError
from rig.units import UNITS

STEPS: Final = 9
"""Values of a range where none are asked for."""
MOST: Final = 1000
"""Values that one replay tries at most."""
_NUMBER: Final = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_VALUE: Final = re.compile(rf"\s*({_NUMBER})\s*(.*?)\s*")
_RANGE: Final = re.compile(r"(.+?)\.\.\s*(.+?)(?:\s+in\s+(\S+))?\s*")
_DIGITS: Final = 6


def values_of(words: str) -> tuple[str, ...]:
    """Return the values that a range or a list names, each as it is written in a protocol.

    A number may stand without a unit where the other end has one. Raises InputError.
    """
    # The dots of a range must not be taken for the point of a number.
    found = _RANGE.fullmatch(words.replace("..", " .. "))
    if found is None:
        values = tuple(dict.fromkeys(_plain(part) for part in words.split(",")))
    else:
        values = _between(words, found[1], found[2], found[3])
    if len(values) > MOST:
        raise InputError(f"--vary: {len(values):,} values; at most {MOST:,} are tried")
    return values


def _plain(words: str) -> str:
    """Return one value of a list as it is written."""
    number, unit = _read(words)
    return f"{number} {unit}".rstrip()


def _between(words: str, low: str, high: str, steps: str | None) -> tuple[str, ...]:
    (first, unit), (last, last_unit) = _read(low), _read(high)
    unit, last_unit = unit or last_unit, last_unit or unit
    if unit != last_unit:
        raise InputError(
            f'--vary: "{words}" goes from {unit} to {last_unit}; write both ends in one unit'
        )
    count = _steps(steps)
    begin, end = float(first), float(last)
    if begin == end:
        raise InputError(f'--vary: both ends of "{words}" are the same; name one value alone')
    whole = unit in UNITS["cycles"] or (not unit and begin.is_integer() and end.is_integer())
    found = [begin + (end - begin) * i / (count - 1) for i in range(count)]
    texts = [f"{round(v)}" if whole else f"{v:.{_DIGITS}g}" for v in found]
    return tuple(dict.fromkeys(f"{text} {unit}".rstrip() for text in texts))


def _steps(words: str | None) -> int:
    if words is None:
        return STEPS
    if not words.isdecimal() or not 2 <= int(words) <= MOST:
        raise InputError(f'--vary: "in {words}": give a number of values from 2 to {MOST}')
    return int(words)


def _read(words: str) -> tuple[str, str]:
    """Return number and unit of one value. Raises InputError for what is no number."""
    found = _VALUE.fullmatch(words)
    # "10 % - 50 %": a unit has no such words.
    if found is None or re.search(r"\s(?:-|to)\s", f" {found[2]}"):
        raise InputError(
            f'--vary: "{words.strip()}" is no number with a unit; write a range such as '
            '"10 % .. 50 %", "10 % .. 50 % in 5" or "10 %, 20 %, 40 %"'
        )
    return found[1], found[2]
