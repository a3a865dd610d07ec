"""What stands on a report's page: numbers, words and moments with their keys, and all other text.

Only the page is read here, with the HTML parser of the standard library.
"""

from __future__ import annotations

import json
import unicodedata
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = {"meta", "link", "img", "br", "hr", "input", "source", "wbr"}
"""Elements of HTML that have no end."""


@dataclass
class Found:
    """An element with a key: `kind` is "number", "words" or "moment"; `text` is what is shown."""

    kind: str
    key: str
    value: str = ""
    unit: str = ""
    text: str = ""
    raw: str | None = None
    pieces: list[tuple[str, bool]] = field(default_factory=list)
    """Shown text in pieces, and of each whether it stands for a sign that cannot be seen."""


@dataclass
class Shape:
    """An element of a figure: its name, what is given with it, its text, and those inside it."""

    tag: str
    given: dict[str, str]
    text: str = ""
    inside: list[Shape] = field(default_factory=list)


class Page(HTMLParser):
    """A page as it was read: `found` with keys, `bare` text without, `figures` by their id."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[Found] = []
        self.bare: list[str] = []
        self.figures: dict[str, Shape] = {}
        self.title = ""
        self.heading = ""
        self.pictures: list[tuple[str, str]] = []
        self.trouble: list[str] = []
        self._open: list[str] = []
        self._keyed: Found | None = None
        self._code = False
        self._shapes: list[Shape] = []
        self._figure = ""
        self._caption: str | None = None
        self.feed(text)
        self.close()
        if self._open:
            self.trouble.append(f"never closed: {self._open}")

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag not in VOID:
            self._open.append(tag)
        self._of_figures(tag, given)
        if self._shapes or tag == "svg":
            self._shape(tag, given)
            return
        if "data-key" in given:
            self._begin(tag, given)
        elif self._keyed is not None:
            if tag != "span" or given.get("class") != "code":
                self.trouble.append(f"<{tag}> inside the element of {self._keyed.key}")
            self._code = True
        for name in ("aria-label", "placeholder", "content"):
            if name in given and tag != "meta":
                self.bare.append(given[name])

    def _of_figures(self, tag: str, given: dict[str, str]) -> None:
        if tag == "figure":
            self._figure = given.get("id", "")
        elif tag == "figcaption":
            self._caption = ""
        elif tag == "img":
            self.pictures.append((given.get("alt", ""), ""))

    def _shape(self, tag: str, given: dict[str, str]) -> None:
        made = Shape(tag, given)
        if self._shapes:
            self._shapes[-1].inside.append(made)
        else:
            self.figures[self._figure] = made
        self._shapes.append(made)

    def _begin(self, tag: str, given: dict[str, str]) -> None:
        kinds = {"data": "number", "time": "moment"}
        value = given.get("value", given.get("datetime", ""))
        made = Found(kinds.get(tag, "words"), given["data-key"], value, given.get("data-unit", ""))
        if "data-json" in given:
            made.raw = json.loads(given["data-json"])
        self._keyed = made
        self.found.append(made)

    def handle_endtag(self, tag: str) -> None:
        if tag in VOID:
            return
        if not self._open or self._open[-1] != tag:
            self.trouble.append(f"</{tag}> where {self._open[-1:]} is open")
            return
        self._open.pop()
        if self._shapes:
            self._shapes.pop()
        elif self._code:
            self._code = False
        elif self._keyed is not None:
            self._keyed = None
        if tag == "figcaption" and self._caption is not None:
            if self.pictures and not self.pictures[-1][1]:
                self.pictures[-1] = (self.pictures[-1][0], self._caption)
            self._caption = None

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_data(self, data: str) -> None:
        if self._shapes:
            self._shapes[-1].text += data
            return
        if "style" in self._open:
            return
        if "title" in self._open:
            self.title += data
            return
        if "h1" in self._open:
            self.heading += f"[{data}]" if self._code else data
        if self._caption is not None:
            self._caption += f"[{data}]" if self._code else data
        if self._keyed is None:
            self.bare.append(data)
            return
        self._keyed.text += data
        self._keyed.pieces.append((data, self._code))


def shown(text: str) -> str:
    """Return a text as a page is to show it: a code such as U+202E for each sign unseen.

    Unseen are Unicode's controls, formats, private, unknown and lone signs and its separators of
    lines and paragraphs, all but tab and line feed; and of marks on one letter those after four.
    """
    made, marks = "", 0
    for sign in text:
        kind = unicodedata.category(sign)
        marks = marks + 1 if kind in {"Mn", "Me"} else 0
        unseen = kind[0] == "C" or kind in {"Zl", "Zp"}
        hidden = (unseen and sign not in "\t\n") or marks > 4
        made += f"U+{ord(sign):04X}" if hidden else sign
    return made


def one_line(text: str) -> str:
    """Return a text without breaks, one blank between its words."""
    return " ".join(text.split())
