"""Signs of the screen, in two sets: for terminals that show UTF-8, and pure ASCII."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Final

LONGEST: Final = 600
"""Characters of a text from people that are looked at; no screen shows more of it."""

_HIDDEN: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_IN_ASCII: Final = str.maketrans(
    {
        "°": "",
        "−": "-",
        "–": "-",
        "—": "-",
        "·": "-",
        "…": "...",
        "µ": "u",
        "×": "x",
        "\N{LEFT SINGLE QUOTATION MARK}": "'",
        "’": "'",
        "“": '"',
        "”": '"',
        "ß": "ss",
        "æ": "ae",
        "Æ": "AE",
        "ø": "o",
        "Ø": "O",
        "ł": "l",
        "Ł": "L",
    }
)


@dataclass(frozen=True, slots=True)
class Glyphs:
    """One set of signs; each is one cell wide, but the marks in front of the verdict."""

    ascii_only: bool
    rule: str
    wall: str
    full: str
    empty: str
    low_end: str
    high_end: str
    track: str
    warn: str
    axis: str
    corner: str
    level: str
    more: str
    marks: tuple[str, str, str, str]

    def safe(self, text: str) -> str:
        """Return a text that this set can show, without anything that a terminal would obey."""
        if text.isascii() and text.isprintable():
            return text
        text = unicodedata.normalize("NFC", text[:LONGEST])
        if self.ascii_only:
            text = unicodedata.normalize("NFKD", text.translate(_IN_ASCII))
        kept = []
        for sign in text:
            kind = unicodedata.category(sign)
            if kind in _HIDDEN:
                kept.append(" " if sign in "\t\r\n\x0b\x0c\u2028\u2029" else "")
            elif self.ascii_only and not sign.isascii():
                kept.append("" if kind.startswith("M") else "?")
            else:
                kept.append(" " if kind == "Zs" else sign)
        return "".join(kept)


UTF8: Final = Glyphs(
    ascii_only=False,
    rule="─",
    wall="│",
    full="█",
    empty="░",
    low_end="├",
    high_end="┤",
    track="─",
    warn="▲",
    axis="│",
    corner="└",
    level="╌",
    more="…",
    marks=("✓", "▲", "■", "●"),
)
ASCII: Final = Glyphs(
    ascii_only=True,
    rule="-",
    wall="|",
    full="#",
    empty=".",
    low_end="[",
    high_end="]",
    track="-",
    warn="!",
    axis="|",
    corner="+",
    level=".",
    more="~",
    marks=("=", "!", "!", "#"),
)


def glyphs(*, ascii_only: bool) -> Glyphs:
    """Return the set for a terminal."""
    return ASCII if ascii_only else UTF8
