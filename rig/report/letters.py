"""Letters of the font of papers and figures: how wide they are, lines of a width, unknown ones."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from matplotlib.ft2font import FT2Font

POINTS: Final = 72 / 25.4
"""Points in a millimetre."""
EM: Final = 1000.0
"""Size [px] at which letters are measured: a thousandth of a letter's size is a unit of PDF."""

UNPARTED: Final = "\N{NO-BREAK SPACE}"
"""A space at which no line ends, as between a number and its unit."""


def wrap(text: str, width: float, size: float, weight: str = "normal") -> list[str]:
    """Return text in lines no wider than a width [mm] at a size [pt]; a long word is cut."""
    lines: list[str] = []
    line, used = "", 0.0
    space = width_of(" ", size, weight)
    for word in printable(text).split(" "):
        wide = width_of(word, size, weight)
        if line and used + space + wide <= width:
            line, used = f"{line} {word}", used + space + wide
            continue
        if line:
            lines.append(line)
        *whole, line = _cut(word, width, size, weight) if wide > width else [word]
        lines += whole
        used = width_of(line, size, weight) if whole else wide
    return [*lines, line]


def _cut(word: str, width: float, size: float, weight: str) -> list[str]:
    """Return a word in pieces that fit, of one letter at least."""
    pieces: list[str] = []
    begin, used = 0, 0.0
    for at, letter in enumerate(word):
        wide = width_of(letter, size, weight)
        if at > begin and used + wide > width:
            pieces.append(word[begin:at])
            begin, used = at, 0.0
        used += wide
    return [*pieces, word[begin:]]


def width_of(text: str, size: float, weight: str = "normal") -> float:
    """Return how wide a line is [mm] at a size [pt], letters that the font has."""
    return sum([_advance(letter, weight) for letter in text]) * size / POINTS


def printable(text: str) -> str:
    """Return text in letters that the font has; what it has not, and controls, as "?"."""
    return "".join(map(_shown, text))


@lru_cache(maxsize=4096)
def _shown(letter: str) -> str:
    known = all(ord(letter) in _known(weight) for weight in ("normal", "bold"))
    return letter if known and (letter.isprintable() or letter == UNPARTED) else "?"


@lru_cache(maxsize=4096)
def _advance(letter: str, weight: str) -> float:
    """Return how far a letter moves on, as a share of its size."""
    return float(font(weight).load_char(ord(letter)).linearHoriAdvance) / 65536 / EM


@lru_cache(maxsize=4)
def font(weight: str) -> FT2Font:
    """Return the font, "normal" or "bold", at the size `EM`."""
    from matplotlib import font_manager, ft2font

    found = font_manager.findfont(font_manager.FontProperties(family="DejaVu Sans", weight=weight))
    loaded = ft2font.FT2Font(found)
    loaded.set_size(EM, 72)
    return loaded


@lru_cache(maxsize=4)
def _known(weight: str) -> frozenset[int]:
    return frozenset(font(weight).get_charmap())
