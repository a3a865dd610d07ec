"""Program messages in the form of IEEE 488.2 and SCPI-1999: from a line to its parts.

Pure: no device, no clock. A message is units between semicolons, a unit a header and data between
commas. Data are numbers (NRf, with or without a suffix), words and strings; blocks, expressions
and numbers to another base are known as such and accepted by nothing here. A line feed always
ends a message, in a string too. Sections as remembered: IEEE 488.2-1992 section 7, SCPI-1999
volume 1 section 6, numbers and words of errors in volume 2 chapter 21.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

MNEMONIC_MOST: Final = 12
"""Longest mnemonic and longest word (IEEE 488.2, 7.6.1.4.1 and 7.7.1.4)."""
EXPONENT_MOST: Final = 32000
DIGITS_MOST: Final = 255
INFO_MOST: Final = 200
"""Characters of a device's own words in an error, so that it stays within 255 in all."""

ERRORS: Final = {
    0: "No error",
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -144: "Character data too long",
    -151: "Invalid string data",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}
"""What the errors of this device are called."""


class Fault(Exception):
    """An error for the queue: its number, and what the device itself has to say."""

    def __init__(self, number: int, info: str = "") -> None:
        super().__init__(number, info)
        self.number = number
        self.info = _plain(info)

    @property
    def of_command(self) -> bool:
        """Whether the message itself could not be read."""
        return -199 <= self.number <= -100

    def __str__(self) -> str:
        words = ERRORS.get(self.number, "Device-specific error")
        text = f"{words};{self.info}" if self.info else words
        return f'{self.number},"{text}"'


@dataclass(frozen=True, slots=True)
class Number:
    """Decimal numeric data: its value, and its suffix in capitals or ""."""

    value: float
    suffix: str = ""


@dataclass(frozen=True, slots=True)
class Word:
    """Character data, in capitals."""

    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """String data."""

    text: str


@dataclass(frozen=True, slots=True)
class Other:
    """Data of a kind that nothing here accepts: block, expression, number to another base."""


Data = Number | Word | Text | Other


@dataclass(frozen=True, slots=True)
class Unit:
    """One message unit.

    `header` are its mnemonics in capitals, for a common command the one with its asterisk;
    `rooted` tells that it begins with a colon, `query` that it ends with a question mark.
    """

    header: tuple[str, ...]
    rooted: bool
    query: bool
    data: tuple[Data, ...]

    @property
    def common(self) -> bool:
        """Whether it is a common command, which every device has and no path changes."""
        return self.header[0].startswith("*")


_SPACE: Final = "".join(map(chr, [*range(10), *range(11, 33)]))
"""White space of IEEE 488.2, 7.4.1.2: all control characters but the line feed, and the blank."""
_S: Final = f"[{re.escape(_SPACE)}]*"
_HEADER: Final = re.compile(
    r"(\*[A-Za-z][A-Za-z0-9_]*|:?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)"
)
_NUMBER: Final = re.compile(
    rf"([+-]?)([0-9]+\.?[0-9]*|\.[0-9]+)(?:{_S}[eE]{_S}([+-]?[0-9]+))?{_S}(/?[A-Za-z][A-Za-z0-9/.-]*)?"
)
_WORD: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_KNOWN: Final = re.compile(r"[ -~]*")
_QUOTES: Final = "\"'"


def units(line: str) -> Iterator[Unit | Fault]:
    """Yield the units of a message without its line end, and what cannot be read of it.

    A unit that cannot be read is a `Fault` in its place; those behind it follow all the same.
    """
    for text in _parts(line, ";"):
        text = text.strip(_SPACE)
        if text:
            try:
                yield _unit(text)
            except Fault as fault:
                yield fault


def _unit(text: str) -> Unit:
    found = _HEADER.match(text)
    if found is None:
        raise Fault(-102 if _KNOWN.fullmatch(text[0]) else -101, text)
    head, mark = found.groups()
    rest = text[found.end() :]
    if rest and rest[0] not in _SPACE:
        raise Fault(-111 if _KNOWN.fullmatch(rest[0]) else -101, text)
    header = tuple(head.upper().removeprefix(":").split(":"))
    for mnemonic in header:
        if len(mnemonic.removeprefix("*")) > MNEMONIC_MOST:
            raise Fault(-112, mnemonic)
    rest = rest.strip(_SPACE)
    data = tuple(_data(part.strip(_SPACE)) for part in _parts(rest, ",")) if rest else ()
    return Unit(header, head.startswith(":"), bool(mark), data)


def _parts(text: str, separator: str) -> Iterator[str]:
    """Yield what stands between separators, which count for nothing inside a string."""
    begin, quote = 0, ""
    for place, sign in enumerate(text):
        if quote:
            quote = "" if sign == quote else quote
        elif sign in _QUOTES:
            quote = sign
        elif sign == separator:
            yield text[begin:place]
            begin = place + 1
    yield text[begin:]


def _data(text: str) -> Data:
    if not text:
        raise Fault(-102, "nothing between two commas")
    if text[0] in _QUOTES:
        return _string(text)
    if text[0] in "#(":
        return Other()
    if text[0] in "+-.0123456789":
        return _number(text)
    if not _WORD.fullmatch(text):
        raise Fault(-103 if _KNOWN.fullmatch(text) else -101, text)
    if len(text) > MNEMONIC_MOST:
        raise Fault(-144, text)
    return Word(text.upper())


def _string(text: str) -> Text:
    quote = text[0]
    inside = text[1:-1].replace(quote * 2, "")
    if len(text) < 2 or text[-1] != quote or quote in inside:
        raise Fault(-151, text)
    return Text(text[1:-1].replace(quote * 2, quote))


def _number(text: str) -> Number:
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise Fault(-121, text)
    sign, digits, exponent, suffix = found.groups()
    if len(digits.replace(".", "").lstrip("0")) > DIGITS_MOST:
        raise Fault(-124)
    if exponent and (len(exponent) > 6 or abs(int(exponent)) > EXPONENT_MOST):
        raise Fault(-123, exponent)
    if suffix and len(suffix) > MNEMONIC_MOST:
        raise Fault(-134, suffix)
    return Number(float(f"{sign}{digits}e{exponent or 0}"), (suffix or "").upper())


def _plain(text: str) -> str:
    """Return words as they may stand in an answer: printable, short, without double quotes."""
    known = "".join(c if " " <= c <= "~" else "?" for c in text[:INFO_MOST])
    return known.replace('"', "'")
