"""`[history]` of a specimen file: what was done to it before the test, as facts in words.

Nothing is computed from it. Keys that are known are checked, so that a later reader can rely on
them: `mix`, `release`, `water` in words, `cast`, `soaked_since`, `soaked_until` as dates,
`strengths` by age. Any other key may hold a plain fact.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from difflib import get_close_matches
from itertools import pairwise
from typing import Any, Final

from rig.protocol.document import Document
from rig.protocol.position import Path
from rig.units import UnitError, parse, shown

_WORDS: Final = ("mix", "release", "water")
_DATES: Final = ("cast", "soaked_since", "soaked_until")
_PAST: Final = ("cast", "release", "soaked_since")
"""What has been before a specimen is tested."""
_STRENGTHS: Final = "strengths"
_EXAMPLE: Final = 'strengths = [["2 d", "36 MPa"], ["28 d", "61 MPa"]]'
_LEAST, _MOST = 1e6, 3e8
"""Strengths [Pa] that concrete can have."""


def read_history(document: Document, history: dict[str, Any]) -> dict[str, str]:
    """Return the facts as text; what is wrong with them is noted in the document."""
    for key in _WORDS:
        value = history.get(key)
        dated = key == "release" and _is_date(value)
        if key in history and not dated and not (isinstance(value, str) and value.strip()):
            document.refuse(
                ("history", key), f"{shown(value)} is not text", "write it in quotes, in words"
            )
    for key in _DATES:
        if key in history and not _is_date(history[key]):
            document.refuse(
                ("history", key), f"{shown(history[key])} is no date", f"write {key} = 2025-03-04"
            )
    _check_order(document, history)
    facts = {}
    for key, value in history.items():
        if key == _STRENGTHS:
            facts[key] = _strengths(document, value)
        elif isinstance(value, dict | list):
            near = _near(key)
            document.refuse(
                ("history", key),
                f"{shown(value)} is no plain fact",
                f'did you mean "{near}"?' if near else "give text, a number or a date",
            )
        else:
            if near := _near(key):
                document.warn(
                    ("history", key), "is kept, but not checked", f'did you mean "{near}"?'
                )
            facts[key] = str(value)
    return facts


def yet_to_come(history: Mapping[str, str], today: datetime.date) -> list[str]:
    """Return in words what a specimen's history tells of days after today: none has been."""
    told = []
    for key in _PAST:
        try:
            day = datetime.date.fromisoformat(history.get(key, ""))
        except ValueError:
            continue  # nothing is said, or in words
        if day > today:
            told.append(f"{key} {day} lies after today, {today}")
    return told


def _near(key: str) -> str:
    """Return the known key that a key nearly is, "" for none and for a known one."""
    known = (*_WORDS, *_DATES, _STRENGTHS)
    return "" if key in known else "".join(get_close_matches(key, known, n=1, cutoff=0.8))


def _is_date(value: object) -> bool:
    return isinstance(value, datetime.date) and not isinstance(value, datetime.datetime)


def _check_order(document: Document, history: dict[str, Any]) -> None:
    """Note dates of which the later comes first."""
    order = [k for k in ("cast", "release", *_DATES[1:]) if _is_date(history.get(k))]
    for early, late in pairwise(order):
        if history[late] < history[early]:
            document.refuse(
                ("history", late),
                f"{history[late]} is before {early} {history[early]}",
                "correct one of the two dates",
            )


def _strengths(document: Document, value: Any) -> str:
    """Return strengths by age in words: "2 d 36 MPa, 28 d 61 MPa"."""
    path: Path = ("history", _STRENGTHS)
    if not (isinstance(value, list) and value and all(_is_pair(entry) for entry in value)):
        document.refuse(path, "is no list of ages and strengths", f"write {_EXAMPLE}")
        return ""
    ages = []
    for i, (age, strength) in enumerate(value):
        for j, dimension, text in ((0, "time", age), (1, "stress", strength)):
            try:
                number = parse(text, dimension)
            except UnitError as error:
                document.refuse((*path, i, j), error.problem, error.remedy)
                return ""
            if j and not _LEAST <= number <= _MOST:
                document.refuse(
                    (*path, i, j), f"{shown(text)} is out of range", "give 1 to 300 MPa"
                )
                return ""
            if not j:
                ages.append(number)
    if any(a >= b for a, b in pairwise([0.0, *ages])):
        document.refuse(path, "has ages that do not rise", f"sort them: {_EXAMPLE}")
    return ", ".join(f"{age} {strength}" for age, strength in value)


def _is_pair(entry: object) -> bool:
    return isinstance(entry, list) and len(entry) == 2
