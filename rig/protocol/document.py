"""One TOML file on its way to a plan: its text, data, lines, and the problems found in it."""

from __future__ import annotations

import difflib
import errno
import posixpath
import tomllib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from rig.errors import Problem
from rig.protocol.examples import example_of
from rig.protocol.position import Path, locate
from rig.protocol.syntax import explain
from rig.units import plain, shown

Read = Callable[[str], str]
"""Returns a file's text; a note on the `OSError` it raises is the remedy a person is told."""


@dataclass(slots=True)
class Document:
    """A file as read; `data` is empty when it could not be read.

    `unread` names the top-level keys of which something could not be read: what seems to be
    missing there may only be unreadable.
    """

    file: str
    text: str = ""
    data: dict[str, Any] = field(default_factory=dict)
    lines: dict[Path, int] = field(default_factory=lambda: {(): 1})
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    readable: bool = True
    unread: set[str] = field(default_factory=set)

    def line(self, path: Path) -> int:
        """Return the line of a path, or of the nearest table around it."""
        while path not in self.lines:
            path = path[:-1]
        return self.lines[path]

    def written(self, path: Path) -> str:
        """Return the value at a path as it is written, short enough for one line."""
        value: Any = self.data
        for part in path:
            value = value[part]
        return shown(value)

    def refuse(self, path: Path, problem: str, remedy: str) -> None:
        """Note a problem at a path."""
        self.problems.append(self._at(path, problem, remedy))

    def warn(self, path: Path, problem: str, remedy: str) -> None:
        """Note a warning at a path."""
        self.warnings.append(self._at(path, problem, remedy))

    def refuse_missing(self, table: Path, key: str) -> None:
        """Note that a table lacks a key, at the line of the table."""
        field = plain(spell((*table, key)))
        remedy = f"add {example_of((*table, key))}"
        self.problems.append(Problem(self.file, self.line(table), field, "is missing", remedy))

    def beside(self, path: str) -> str:
        """Return a path written in this file, relative to where this file lies."""
        return posixpath.normpath(posixpath.join(posixpath.dirname(self.file), path))

    def _at(self, path: Path, problem: str, remedy: str) -> Problem:
        # A file can hold control characters; none may reach a terminal.
        words = (plain(text) for text in (spell(path), problem, remedy))
        return Problem(self.file, self.line(path), *words)


def spell(path: Path) -> str:
    """Write a path as people do: `stage[2].speed`, entries counted from 1."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    return text.lstrip(".")


def open_document(file: str, read: Read, named_by: tuple[Document, Path] | None = None) -> Document:
    """Read and parse a file; what is wrong with it is among the problems of what is returned.

    A file that cannot be read is a problem of the line that names it, where one does.
    """
    document = Document(file)
    try:
        document.text = read(file)
    except (OSError, ValueError) as error:
        document.readable = False
        problem, remedy = _unreadable(file, error)
        if named_by:
            named_by[0].refuse(named_by[1], problem, remedy)
        else:
            document.problems.append(Problem(file, 0, "", problem, remedy))
        return document
    try:
        document.data = tomllib.loads(document.text)
        document.lines = locate(document.text)
    except RecursionError:
        document.readable = False
        document.refuse((), "has brackets within brackets without end", "write plain tables")
    except ValueError as error:
        document.readable = False
        document.problems.append(explain(file, document.text, str(error)))
    if document.readable and not document.data:
        document.readable = False
        document.refuse((), "is empty", "begin with a copy of a file that comes with the program")
    return document


def meant(name: str, names: Iterable[str]) -> str:
    """Return which of some names was probably meant, or all of them."""
    known = list(names)
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    return f'did you mean "{near[0]}"?' if near else f"known here are {', '.join(known)}"


_CAUSES: Final = {
    errno.EACCES: ("you have no right to read it", "ask its owner, or copy it"),
    errno.EPERM: ("you have no right to read it", "ask its owner, or copy it"),
    errno.EISDIR: ("it is a folder", "name a file in it"),
    errno.ENOENT: ("no such file", "correct the path"),
    errno.ENOTDIR: ("no such file", "correct the path"),
    errno.ENAMETOOLONG: ("the name is too long", "correct the path"),
    errno.ELOOP: ("it is a link to itself", "name the file itself"),
}


def _unreadable(file: str, error: Exception) -> tuple[str, str]:
    cause, remedy = "this is not a usable path", "give the path of a file"
    if isinstance(error, UnicodeDecodeError):
        cause, remedy = _undecoded(error)
    elif isinstance(error, OSError):
        number = errno.ENOENT if isinstance(error, FileNotFoundError) else error.errno
        words = (error.strerror or "the system gives no reason").lower()
        cause, remedy = _CAUSES.get(number or 0, (words, "look at the disk it lies on"))
    remedy = next(iter(getattr(error, "__notes__", ())), remedy)
    return plain(f'cannot read "{shown(file)[1:-1]}": {cause}'), plain(remedy)


def _undecoded(error: UnicodeDecodeError) -> tuple[str, str]:
    raw = error.object
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "it is saved as UTF-16", "save it as UTF-8, which editors offer when saving"
    if b"\0" in raw:
        return "it is no text file", "give a file written in a text editor"
    line = raw.count(b"\n", 0, error.start) + 1
    return (
        f"line {line} holds a character that is not UTF-8",
        "save it as UTF-8, or write that character anew",
    )
