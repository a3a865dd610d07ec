"""The verdict: one coloured line on a small screen, large letters on a large one."""

from __future__ import annotations

from typing import Final

from rich.text import Text

from rig.monitor.call import Call, Level
from rig.monitor.glyphs import Glyphs
from rig.monitor.near import STAY_OUT
from rig.monitor.played import RECORDING
from rig.monitor.rows import Row, fitted, wrapped

_STYLES: Final = {
    Level.NOTHING: "bold white on green",
    Level.LOOK: "bold black on yellow",
    Level.COME: "bold white on red",
    Level.ENDED: "bold white on blue",
}
_LOUD: Final = "bold white on red"
_PLAYED: Final = "bold white on magenta"
_LARGE: Final = {
    Level.NOTHING: "NOTHING TO DO",
    Level.LOOK: "LOOK",
    Level.COME: "COME",
    Level.ENDED: "ENDED",
}
_LETTERS: Final[dict[str, tuple[str, str, str, str, str]]] = {
    "A": (" ## ", "#  #", "####", "#  #", "#  #"),
    "C": (" ###", "#   ", "#   ", "#   ", " ###"),
    "D": ("### ", "#  #", "#  #", "#  #", "### "),
    "E": ("####", "#   ", "### ", "#   ", "####"),
    "G": (" ###", "#   ", "# ##", "#  #", " ###"),
    "H": ("#  #", "#  #", "####", "#  #", "#  #"),
    "I": ("#", "#", "#", "#", "#"),
    "K": ("#  #", "# # ", "##  ", "# # ", "#  #"),
    "L": ("#   ", "#   ", "#   ", "#   ", "####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#  #", "## #", "# ##", "#  #", "#  #"),
    "O": (" ## ", "#  #", "#  #", "#  #", " ## "),
    "R": ("### ", "#  #", "### ", "# # ", "#  #"),
    "S": (" ###", "#   ", " ## ", "   #", "### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#  #", "#  #", "#  #", "#  #", " ## "),
    "Y": ("#   #", " # # ", "  #  ", "  #  ", "  #  "),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
_ROOM_TO_COUNT: Final = 40
"""Cells from which reasons without room are counted."""
_HALVES: Final = {"##": "█", "# ": "▀", " #": "▄", "  ": " "}


def verdict(told: Call, width: int, signs: Glyphs, *, most: int) -> list[Text]:
    """Return the verdict as one line in colour, then why, in at most `most` lines."""
    mark = signs.marks[told.level]
    row = Row(signs, width).put(f" {mark} {told.headline} {mark}")
    line = fitted(row.text, width, signs)
    line.stylize(_style(told))
    return [line, *_reasons(told, width, signs, most, indent=1)]


def large_verdict(told: Call, width: int, signs: Glyphs, *, most: int) -> list[Text]:
    """Return the verdict in large letters with why beside them, then at most `most` lines more."""
    letters = _large(_word(told), signs)
    margin = max(map(len, letters)) + 4
    said = [Text(signs.safe(told.headline))]
    said += _reasons(told, width - margin, signs, most + len(letters) - 1, indent=0)
    lines = []
    for letter, beside in zip(letters, said + [Text()] * len(letters), strict=False):
        line = Text("  " + letter)
        line.append(" " * (margin - line.cell_len))
        line.append_text(beside)
        line = fitted(line, width, signs)
        line.stylize(_style(told))
        lines.append(line)
    below = [Text("  ").append_text(line) for line in said[len(letters) :]]
    return lines + below


def _style(told: Call) -> str:
    if told.headline.startswith(RECORDING):
        return _PLAYED
    return _LOUD if told.loud else _STYLES[told.level]


def _word(told: Call) -> str:
    if told.headline.startswith(RECORDING):
        return RECORDING
    return STAY_OUT if told.headline.startswith(STAY_OUT) else _LARGE[told.level]


def _reasons(told: Call, width: int, signs: Glyphs, most: int, *, indent: int) -> list[Text]:
    """Return the reasons, each from a new line on; where not all have room, how many have none."""
    room = max(width - 2 - indent, 1)
    said = [
        (number, "  " if i else "> ", part)
        for number, reason in enumerate(told.why, 1)
        for i, part in enumerate(wrapped(signs.safe(reason), room))
    ]
    if len(said) > most > 0:
        number, sign, part = said[most - 1]
        hidden = len(told.why) - number
        tail = f" {signs.more}"
        if hidden and room >= _ROOM_TO_COUNT:
            tail += f" and {hidden} more"
        part = wrapped(part, max(room - len(tail), 1))[0]
        said[most - 1] = (number, sign, part + tail)
    style = "bold" if told.level in (Level.LOOK, Level.COME) else ""
    return [
        Row(signs, width).put(" " * indent + sign).put(part, style).text
        for _, sign, part in said[:most]
    ]


def _large(text: str, signs: Glyphs) -> list[str]:
    rows = [" ".join(_LETTERS[letter][i] for letter in text) for i in range(5)]
    if signs.ascii_only:
        return rows
    rows.append(" " * len(rows[0]))
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return ["".join(_HALVES[a + b] for a, b in zip(*pair, strict=True)) for pair in pairs]
