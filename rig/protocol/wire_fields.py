"""The kinds of field that the wire tables of a rig file are made of."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Annotated, Any, Final

from pydantic import (
    AfterValidator,
    BeforeValidator,
    SkipValidation,
    StringConstraints,
    WrapValidator,
)

from rig.protocol.document import Document, meant
from rig.protocol.fields import UNREAD, Word, number, quantity, refuse, whole
from rig.protocol.position import Path
from rig.units import shown

LINE_MOST: Final = 200
"""Longest line [characters] that is sent to a device."""

LINE_ENDS: Final = {"LF": "\n", "CR": "\r", "CRLF": "\r\n"}
"""What ends a line, by the word for it in a rig file."""

_PORT_PATH: Final = re.compile(r"/.+|(\\\\\.\\)?COM[0-9]+")
_LINE: Final = re.compile(r"[ -~]+")


def line_problem(text: str) -> tuple[str, str] | None:
    """Return what is wrong with a line for a device and what would be right; None for nothing.

    A line end inside it would be a second command that nobody sees in the file.
    """
    if "\r" in text or "\n" in text:
        return (
            f"{shown(text)} holds a line end",
            "write each line by itself: the end is sent by the program, as line_end says",
        )
    if not text.strip():
        return f"{shown(text)} is empty", "write the device's own command"
    if len(text) > LINE_MOST:
        return f"{shown(text)} is too long", f"give at most {LINE_MOST} characters"
    if not _LINE.fullmatch(text):
        return (
            f"{shown(text)} holds a character that is no ASCII letter, digit or sign",
            "write it as the manual of the device does",
        )
    return None


def _line(value: str) -> str:
    problem = line_problem(value)
    if problem:
        raise refuse(*problem)
    return value


def _port_path(value: str) -> str:
    if not value.isprintable() or not _PORT_PATH.fullmatch(value):
        raise refuse(
            f"{shown(value)} is no full path of a port",
            'write it as in "/dev/serial/by-id/usb-..."; that folder lists what is plugged in',
        )
    return value


def _unread_text(value: Any, handler: Any) -> Any:
    return "" if value is UNREAD else handler(value)


def nearest(name: str, known: Iterable[str]) -> str:
    """Return a name that is known, or the known one it was probably meant to be, or ""."""
    names = list(known)
    if name in names:
        return name
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    return near[0] if near else ""


def choice(*words: str) -> BeforeValidator:
    """Return what reads one of some words; a misspelt one is answered with its neighbour."""

    def read(value: Any) -> Any:
        if value is UNREAD or (isinstance(value, str) and value in words):
            return value
        known = " or ".join(f'"{word}"' for word in words)
        remedy = meant(value, words) if isinstance(value, str) else f"give {known}"
        raise refuse(f"{shown(value)} is not known here", remedy)

    return BeforeValidator(read)


def _unread_keys(value: Any, handler: Any) -> Any:
    return {} if value is UNREAD else handler(value)


def _unread_entries(value: Any, handler: Any) -> Any:
    return [] if value is UNREAD else handler(value)


def _unread_table(value: Any, handler: Any) -> Any:
    return None if value is UNREAD else handler(value)


def unread(document: Document, path: Path) -> bool:
    """Tell whether something is written at a path, or must be, that could not be read."""
    value: Any = document.data
    for part in path:
        try:
            value = value[part]
        except (KeyError, IndexError, TypeError):
            return path in document.lines
    return value is UNREAD


Keys = Annotated[dict[str, Any], WrapValidator(_unread_keys)]
"""A table whose keys are names; empty where it cannot be read."""

Entries = Annotated[list[Any], WrapValidator(_unread_entries)]
"""A list that is judged entry by entry; empty where it cannot be read."""

OrUnread: Final = WrapValidator(_unread_table)
"""Marks a table that must be there, None where it cannot be read."""

Whole = SkipValidation[int]
"""Behind `whole`, which has looked at the type: it reads what is unreadable as nan, and a type of
whole numbers would refuse that, and with it the table around."""

Line = Annotated[str, AfterValidator(_line), WrapValidator(_unread_text)]
PortPath = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200),
    AfterValidator(_port_path),
    WrapValidator(_unread_text),
]
Baud = Annotated[Whole, whole(300, 12_000_000)]
Parity = Annotated[Word, choice("none", "even", "odd")]
LineEnd = Annotated[Word, choice("LF", "CR", "CRLF")]
StopBits = Annotated[Whole, whole(1, 2)]
Tries = Annotated[Whole, whole(0, 5)]
Decimals = Annotated[Whole, whole(0, 12)]
Device = Annotated[Whole, whole(1, 247)]
Sample = Annotated[Whole, whole(1, 255)]
Register = Annotated[Whole, whole(1, 65535)]
Place = Annotated[Whole, whole(1, 100)]
Truth = Annotated[Whole, whole(0, 1)]
Waiting = Annotated[float, quantity("time", 0.005, 10.0, "s")]
Stale = Annotated[float, quantity("time", 0.1, 2.0, "s")]
Every = Annotated[float, quantity("time", 0.05, 3600.0, "s")]
Address = Annotated[Whole, whole(0, 65535)]
Scale = Annotated[float, number(-1e9, 1e9)]


def named_once(document: Document, kind: str, names: list[tuple[int, str]]) -> None:
    """Note each name that another entry of a list of tables has; by number and name."""
    seen: set[str] = set()
    for index, name in names:
        if name and name in seen:
            document.refuse((kind, index, "name"), f"{shown(name)} is there twice", "name it once")
        seen.add(name)
