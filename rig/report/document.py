"""A report as data: sections of sentences, facts, tables and figures, before page or paper."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rig.report.measure import Part, Table, Told

if TYPE_CHECKING:
    from matplotlib.figure import Figure

PAGE: Final = "report.html"
PAPER: Final = "report.pdf"
"""How its files are called, beside run.h5 or in a folder of their own."""


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A sentence or more."""

    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Caution:
    """What must not be overlooked: a danger, or what makes a result doubtful."""

    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Items:
    """Sentences one under the other."""

    rows: tuple[tuple[Part, ...], ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """A data sheet: what each fact is called, and the fact."""

    rows: tuple[tuple[str, tuple[Part, ...]], ...]


@dataclass(frozen=True, slots=True)
class Listed:
    """A table with its caption; the first cell of a row is its head. `folded`: closed on screen."""

    caption: tuple[Part, ...]
    table: Table
    folded: bool = False


@dataclass(frozen=True, slots=True)
class Drawn:
    """A figure. `name` is unique in a document: small letters and hyphens.

    `draw` makes a new figure 180 mm wide at most, its fonts 7 to 9 pt; `told` says in words and
    numbers what it shows, for who cannot see it.
    """

    name: str
    title: str
    draw: Callable[[], Figure]
    told: Told


@dataclass(frozen=True, slots=True)
class Photo:
    """A picture as JPEG, made small; `told` says what it is, where it is whole and its hash."""

    name: str
    jpeg: bytes
    size: tuple[int, int]
    told: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Signatures:
    """Lines to be signed by hand, each with its role."""

    roles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Blanks:
    """Lines to be written on by hand, each with the name of what belongs there."""

    names: tuple[str, ...]


Block = Paragraph | Caution | Items | Facts | Listed | Drawn | Photo | Signatures | Blanks


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a report; `name` is its anchor: small letters and hyphens."""

    name: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Document:
    """A report. `title` heads it, `lead` is the answer in a sentence or two, first of all.

    `warnings` stand beside the lead (simulated, imported, void, overloaded). `about` closes it:
    program, format, what it was made from.
    """

    kind: str
    title: tuple[Part, ...]
    lead: tuple[Part, ...]
    warnings: tuple[tuple[Part, ...], ...]
    sections: tuple[Section, ...]
    about: tuple[tuple[Part, ...], ...]
