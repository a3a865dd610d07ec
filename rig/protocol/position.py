"""Where in a TOML text each key and value stands, so that a problem can name its line.

The text is one that `tomllib` has accepted; only its structure is walked here, values are not
read. A path is what leads to a value in the parsed data: `("stage", 0, "speed")`.
"""

from __future__ import annotations

import re
from typing import Final

Path = tuple[str | int, ...]

_BLANK: Final = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE: Final = re.compile(r"[ \t]*")
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR: Final = re.compile(r"[^,\]}#\n]+")
_STRING: Final = re.compile(
    r'"""(?:\\.|[^\\])*?"{3,5}(?!")'
    r"|'''.*?'{3,5}(?!')"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_ESCAPE: Final = re.compile(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)")
_ESCAPED: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}


def locate(text: str) -> dict[Path, int]:
    """Return the line, counted from 1, of every table, key and array entry of a TOML text.

    The empty path stands for the document and has its last line.
    """
    scan = _Scan(text)
    scan.document()
    scan.lines[()] = last_line(text)
    return scan.lines


def last_line(text: str) -> int:
    """Return the number of the last line that is not empty, at least 1."""
    return max(1, text.rstrip().count("\n") + 1)


class _Scan:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._line = 1
        self._line_at = 0

    def document(self) -> None:
        table: Path = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            begin = self.at
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)
            if self.at == begin:
                raise ValueError(f"cannot follow the text (at line {self._here()})")

    def _header(self) -> Path:
        array = self.text.startswith("[[", self.at)
        self.at += 2 if array else 1
        keys = self._keys()
        self.at += 2 if array else 1
        path: Path = ()
        for key in keys[:-1]:
            path = self._enter((*path, key))
        path = (*path, keys[-1])
        if array:
            self.lines.setdefault(path, self._here())
            index = self._counts.get(path, -1) + 1
            self._counts[path] = index
            path = (*path, index)
        self.lines[path] = self._here()
        return path

    def _enter(self, path: Path) -> Path:
        self.lines.setdefault(path, self._here())
        # A header below an array of tables speaks of its last entry.
        return (*path, self._counts[path]) if path in self._counts else path

    def _pair(self, table: Path) -> None:
        line = self._here()
        path = table
        for key in self._keys():
            path = (*path, key)
            self.lines.setdefault(path, line)
        self.at += 1
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: Path) -> None:
        first = self.text[self.at]
        if first == "[":
            self._array(path)
        elif first == "{":
            self._inline(path)
        elif first in "\"'":
            self._skip(_STRING)
        else:
            self._skip(_SCALAR)

    def _array(self, path: Path) -> None:
        self.at += 1
        index = 0
        self._skip(_BLANK)
        while self.text[self.at] != "]":
            self.lines[(*path, index)] = self._here()
            self._value((*path, index))
            index += 1
            self._separator()
        self.at += 1

    def _inline(self, path: Path) -> None:
        self.at += 1
        self._skip(_BLANK)
        while self.text[self.at] != "}":
            self._pair(path)
            self._separator()
        self.at += 1

    def _separator(self) -> None:
        self._skip(_BLANK)
        if self.text[self.at] == ",":
            self.at += 1
            self._skip(_BLANK)

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._skip(_SPACE)
            keys.append(self._key())
            self._skip(_SPACE)
            if self.text[self.at] != ".":
                return keys
            self.at += 1

    def _key(self) -> str:
        bare = _BARE.match(self.text, self.at)
        if bare:
            self.at = bare.end()
            return bare[0]
        begin = self.at
        self._skip(_STRING)
        quoted = self.text[begin + 1 : self.at - 1]
        return quoted if self.text[begin] == "'" else _ESCAPE.sub(_unescape, quoted)

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        self.at = match.end() if match else self.at

    def _here(self) -> int:
        self._line += self.text.count("\n", self._line_at, self.at)
        self._line_at = self.at
        return self._line


def _unescape(match: re.Match[str]) -> str:
    code = match[1]
    return _ESCAPED[code] if len(code) == 1 else chr(int(code[1:], 16))
