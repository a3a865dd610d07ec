"""A text file on its way in: whole lines in pieces, however long the file is."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rig.errors import InputError, Problem

PIECE: Final = 2**21
"""Bytes that are read at once."""
LONGEST: Final = 2**20
"""Bytes a line may have."""
_UTF16: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
COMMENT: Final = "#"
_OF_SPREADSHEET: Final = re.compile(r'"?sep=[,;\t]"?\s*', re.IGNORECASE)
"""A first line by which a spreadsheet is told the separator: the heading shows it too."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Whole lines without their ends; line i of them is line `numbers[i]` of the file."""

    text: list[str]
    numbers: list[int] | range


def lines_of(path: Path, size: int = PIECE) -> Iterator[Lines]:
    """Yield the lines that hold something, without comments; `size` bytes are read at once.

    A first line such as `sep=;` is none of them.

    Raises InputError where it is no UTF-8 text, OSError.
    """
    first = 1
    for piece in _pieces(path, size):
        lines = _decoded(path, first, piece).split("\n")
        numbers: list[int] | range = range(first, first + len(lines))
        if first == 1 and _OF_SPREADSHEET.fullmatch(lines[0]):
            lines[0] = ""
        first += len(lines)
        if COMMENT.encode() in piece or b"\n\n" in piece or not (_says(lines[0]) and lines[-1]):
            kept = [(n, s) for n, s in zip(numbers, lines, strict=True) if _says(s)]
            numbers, lines = [n for n, _ in kept], [s for _, s in kept]
        if lines:
            yield Lines(lines, numbers)


def _says(line: str) -> bool:
    plain = line.lstrip()
    return bool(plain) and not plain.startswith(COMMENT)


def _pieces(path: Path, size: int) -> Iterator[bytes]:
    """Yield pieces that end where a line does, without the last end."""
    carried = b""
    first = True
    with path.open("rb") as file:
        while block := file.read(size):
            if first:
                if block.startswith(_UTF16):
                    _refuse(path, 1, "is UTF-16 text", "save it as UTF-8")
                block, first = block.removeprefix(codecs.BOM_UTF8), False
            carried += block
            # Of "\r" at the very end the "\n" may still come.
            cut = max(carried.rfind(b"\n"), carried.rfind(b"\r", 0, len(carried) - 1))
            if cut >= 0:
                whole = carried[:cut]
                ended = carried[cut : cut + 1]
                yield _with_plain_ends(whole.removesuffix(b"\r") if ended == b"\n" else whole)
                carried = carried[cut + 1 :]
            elif len(carried) > LONGEST:
                # As many pieces as there are lines before would have to be counted for its number.
                raise InputError(
                    f"{path}: has a line of over {LONGEST:,} bytes; is it a text file with one "
                    "row a line?"
                )
    if carried:
        yield _with_plain_ends(carried)


def _with_plain_ends(piece: bytes) -> bytes:
    if b"\r" not in piece:
        return piece
    return piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _decoded(path: Path, first: int, piece: bytes) -> str:
    if b"\0" in piece:
        line = first + piece.count(b"\n", 0, piece.index(b"\0"))
        _refuse(path, line, "holds a NUL byte: it is no text", "save it as UTF-8 text")
    try:
        return piece.decode()
    except UnicodeDecodeError as error:
        line = first + piece.count(b"\n", 0, error.start)
        raise InputError(
            [
                Problem(
                    str(path),
                    line,
                    "",
                    f"is no UTF-8: byte 0x{piece[error.start]:02X}",
                    "save the file as UTF-8",
                )
            ]
        ) from None


def _refuse(path: Path, line: int, problem: str, remedy: str) -> None:
    raise InputError([Problem(str(path), line, "", problem, remedy)])
