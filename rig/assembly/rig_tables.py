"""Keeping what was found in a rig file: one table written anew, the rest of the text untouched."""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from rig.errors import InputError, StorageError

_HEADING: Final = re.compile(r"\s*\[\[?\s*([\w\-\"'.\s]+?)\s*\]\]?\s*(?:#.*)?$")
_TOKEN: Final = re.compile(
    r'#[^\n]*|"""(?:\\.|[^\\])*?"""|'
    r"'''.*?'''|"
    r'"(?:\\.|[^"\\\n])*"|'
    r"'[^'\n]*'|"
    r"[\[\]{}=\n]",
    re.DOTALL,
)
_BOM: Final = "\ufeff"


@dataclass(frozen=True, slots=True)
class _Heading:
    """A line `[name]` or `[[name]]`: the lines' number from 0, and the first part of its name."""

    line: int
    name: str


def keep_table(path: Path, name: str, text: str) -> None:
    """Write the top-level table `name` of a TOML file anew; everything else stays as it is.

    `text` holds the lines below the heading `[name]`: keys and values, and comments. Where the
    file has no such table it is put at the end. A person's comments inside the old table are kept
    below its heading. The whole text is read again before it takes the file's place at once, and
    must say what it said before in all other tables. Raises InputError where it cannot be done
    without harm, and StorageError where the file cannot be read or written; it is as it was then.
    """
    path = path.resolve()  # a link stays a link
    try:
        was = path.read_bytes()
        before = was.decode("utf-8")
    except UnicodeDecodeError:
        raise InputError(f"{path}: is no UTF-8 text; nothing was written to it") from None
    except OSError as error:
        raise StorageError(f"{path}: {error.strerror or error}; nothing was written") from error
    after = _with_table(path, before, name, text)
    _refuse_harm(path, before, after, name, text)
    _replace(path, was, after.encode("utf-8"))


def _with_table(path: Path, before: str, name: str, text: str) -> str:
    """Return the text of a file with a table put in the place of the old one, or at the end."""
    _parsed(path, before)
    end = "\r\n" if "\r\n" in before else "\n"
    mark, plain = (_BOM, before[1:]) if before.startswith(_BOM) else ("", before)
    lines = plain.replace("\r\n", "\n").split("\n")
    begin, until = _place(path, lines, name)
    fresh = text.strip("\n").split("\n")
    old = lines[begin + 1 : until]
    comments = [x for x in old if x.lstrip().startswith("#") and x not in fresh]
    table = [f"[{name}]", *comments, *fresh]
    if begin == len(lines):
        while lines and not lines[-1].strip():
            lines.pop()
        return mark + end.join([*lines, *([""] if lines else []), *table, ""])
    return mark + end.join([*lines[:begin], *table, *lines[until:]])


def _place(path: Path, lines: list[str], name: str) -> tuple[int, int]:
    """Return the lines [begin, end) of a table, tables below it included; both the end for none.

    Comments and empty lines before the next heading belong to what follows them.
    """
    headings = list(_headings(lines))
    ours = [n for n, heading in enumerate(headings) if heading.name == name]
    if not ours:
        return len(lines), len(lines)
    first, last = ours[0], ours[-1]
    if len(ours) != last - first + 1:
        raise InputError(
            f"{path}:{headings[last].line + 1}: [{name}] is in two places of the file; put its "
            "parts together, or write the table by hand; nothing was written"
        )
    until = headings[last + 1].line if last + 1 < len(headings) else len(lines)
    while not _says(lines[until - 1]):
        until -= 1
    return headings[first].line, until


def _says(line: str) -> bool:
    """Tell whether a line is neither empty nor a comment."""
    return bool(line.strip()) and not line.lstrip().startswith("#")


def _headings(lines: list[str]) -> Iterator[_Heading]:
    """Return the headings of a TOML text; brackets in values and in text are none."""
    inside = _inside_values(lines)
    for number, line in enumerate(lines):
        found = None if number in inside else _HEADING.match(line)
        if found is not None:
            yield _Heading(number, found[1].split(".")[0].strip().strip("\"'"))


def _inside_values(lines: list[str]) -> set[int]:
    """Return the numbers of the lines that begin inside a value of several lines."""
    inside: set[int] = set()
    number, depth, valued = 0, 0, False
    for token in _TOKEN.finditer("\n".join(lines)):
        part = token[0]
        if part == "\n":
            number += 1
            if depth:
                inside.add(number)
            else:
                valued = False
        elif part == "=":
            valued = True
        elif valued and part in "[{":
            depth += 1
        elif valued and part in "]}":
            depth -= 1
        elif "\n" in part:
            more = part.count("\n")
            inside.update(range(number + 1, number + more + 1))
            number += more
    return inside


def _refuse_harm(path: Path, before: str, after: str, name: str, text: str) -> None:
    """Raise InputError unless the new text says what the old one did, but for the one table."""
    was, now, table = _parsed(path, before), _read(after), _read(text)
    if table is None:
        raise InputError(f"[{name}]: what is to be kept is no TOML; nothing was written")
    if now is None or now != {**was, name: table}:
        raise InputError(
            f"{path}: [{name}] cannot be written there without changing something else; write it "
            f"by hand:\n[{name}]\n{text.strip()}"
        )


def _parsed(path: Path, text: str) -> dict[str, Any]:
    found = _read(text)
    if found is None:
        raise InputError(f"{path}: is no TOML; nothing was written to it; nightrig check says why")
    return found


def _read(text: str) -> dict[str, Any] | None:
    """Return what a TOML text says, None for one that is none."""
    try:
        return tomllib.loads(text.removeprefix(_BOM))
    except tomllib.TOMLDecodeError:
        return None


def _replace(path: Path, was: bytes, data: bytes) -> None:
    """Put a new file in the place of one that still holds `was`, at once, with its rights."""
    fresh = ""
    try:
        handle, fresh = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".new", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), path.stat().st_mode & 0o7777)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.read_bytes() != was:
            raise InputError(f"{path}: was changed meanwhile; nothing was written; try again")
        os.replace(fresh, path)
        fresh = ""
    except OSError as error:
        raise StorageError(f"{path}: {error.strerror or error}; nothing was written") from error
    finally:
        if fresh:
            with contextlib.suppress(OSError):
                os.unlink(fresh)
