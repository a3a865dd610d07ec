"""One line a rig: what each column tells of it, and which columns have room."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from rich.cells import cell_len
from rich.text import Text

from rig.monitor import words
from rig.monitor.glyphs import Glyphs
from rig.monitor.lab import detail
from rig.monitor.lab.need import Judged, Need
from rig.monitor.lab.view import LabView
from rig.monitor.mqtt.told import Forecast
from rig.monitor.rows import BAD, FAINT, GOOD, ODD, Row

NOT_FORETOLD: Final = "not foretold"
_CYCLING: Final = ("cycling", "build-up")
_BADGES: Final = {
    Need.COME: ("COME", "bold white on red"),
    Need.LOOK: ("LOOK", "bold black on yellow"),
    Need.SILENT: ("SILENT", "bold white on magenta"),
    Need.WELL: ("well", GOOD),
    Need.ENDED: ("ended", "bold blue"),
}
_NAME: Final = "bold"
_LEAST_LAST: Final = 16
"""Cells that the last column has at least, or is left out."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what it is called, what it tells of a rig, and how soon it gives way.

    It has `least` cells at least.
    """

    title: str
    tell: Callable[[Judged, LabView], tuple[str, str]]
    gives_way: int
    right: bool = False
    least: int = 0


def _need(one: Judged, view: LabView) -> tuple[str, str]:
    del view
    word, style = _BADGES[one.need]
    return word, _BADGES[Need.COME][1] if one.loud else style


def _name(one: Judged, view: LabView) -> tuple[str, str]:
    del view
    return one.rig.name, _NAME


def _specimen(one: Judged, view: LabView) -> tuple[str, str]:
    del view
    return (one.rig.status.specimen_id if one.rig.status is not None else "") or words.DASH, ""


def _state(one: Judged, view: LabView) -> tuple[str, str]:
    del view
    if one.outcome:
        return one.outcome, BAD if one.loud else ""
    state = one.rig.status.state if one.rig.status is not None else ""
    # Of a silent rig it is only what it did when it was heard last.
    return state or words.DASH, FAINT if one.is_past else ""


def _done(one: Judged, view: LabView) -> tuple[str, str]:
    del view
    status, cycles = one.rig.status, one.rig.cycles
    if status is None or cycles is None or not status.run_out:
        return words.DASH, ""
    return words.per_cent(cycles / status.run_out), FAINT if one.is_past else ""


def _cycles(one: Judged, view: LabView) -> tuple[str, str]:
    del view
    cycles, status = one.rig.cycles, one.rig.status
    if cycles is None:
        return words.DASH, ""
    of = f" of {_short(status.run_out)}" if status is not None and status.run_out else ""
    return f"{_short(cycles)}{of}", FAINT if one.is_past else ""


def _end(one: Judged, view: LabView) -> tuple[str, str]:
    if one.outcome:
        end = one.rig.end
        return view.short(end.ended if end is not None else None), ""
    when, left = ends(one)
    told = f"{words.span(left)} to go" if left is not None else view.short(when)
    return told, FAINT if one.is_past else ""


def ends(one: Judged) -> tuple[datetime | None, float | None]:
    """Return when a test runs out; where it does not cycle, how long [s] of cycling is left."""
    status, cycles = one.rig.status, one.rig.cycles
    if status is None or cycles is None or not status.run_out or not status.frequency:
        return None, None
    if one.outcome or status.gone or status.frequency <= 0 or cycles >= status.run_out:
        return None, None
    left = (status.run_out - status.cycles) / status.frequency
    if status.state not in _CYCLING:
        return None, left
    told = next((c.at for c in status.coming if c.cycle == status.run_out and c.at), None)
    return told or (words.after(status.stamp, left) if status.stamp is not None else None), None


def _fails(one: Judged, view: LabView) -> tuple[str, str]:
    told = one.rig.forecast
    if one.outcome or told is None:
        return words.DASH, ""
    return expected(told, view), FAINT if one.is_past or told.why else ""


def expected(told: Forecast, view: LabView) -> str:
    """Return when a failure is foretold: by the clock, in cycles, or that nothing is."""
    if told.why or told.low is None or told.high is None:
        return NOT_FORETOLD
    if told.latest is None:
        return f"{_short(told.low)}–{_short(told.high)} cycles"
    if told.soonest is None or told.soonest <= view.now.utc:
        return f"until {view.short(told.latest)}"
    return view.between(told.soonest, told.latest)


def _short(cycles: float) -> str:
    """Return a count of cycles in few letters: "83,214", "310k", "4.12M"."""
    if cycles < 1e5:
        return words.number(cycles)
    return f"{cycles / 1e3:,.0f}k" if cycles < 1e6 else f"{cycles / 1e6:,.2f}M"


def _water(one: Judged, view: LabView) -> tuple[str, str]:
    del view
    water = one.rig.status.water if one.rig.status is not None else None
    if water is None or one.outcome:
        return words.DASH, ""
    faint = FAINT if one.is_past else ""
    if water.missed:
        return f"missed {water.missed}", ODD
    if water.on:
        return ("on", faint) if water.confirmed else ("on?", faint or ODD)
    return "off", faint


def _trouble(one: Judged, view: LabView) -> tuple[str, str]:
    told = one.rig.status.last_trouble if one.rig.status is not None else None
    return (f"{view.short(told.at)} {told.text}" if told is not None else ""), FAINT


COLUMNS: Final = (
    Column("", _need, 0, least=detail.INDENT - 1),
    Column("rig", _name, 0),
    Column("specimen", _specimen, 3),
    Column("state", _state, 0),
    Column("done", _done, 1, right=True),
    Column("cycles", _cycles, 4, right=True),
    Column("end", _end, 1),
    Column("failure foretold", _fails, 2),
    Column("water", _water, 2),
)
_LAST: Final = Column("last trouble", _trouble, 9)


class Table:
    """The columns that have room, as wide as the rigs of a lab need them."""

    def __init__(self, rigs: tuple[Judged, ...], view: LabView, width: int, signs: Glyphs) -> None:
        self._view, self._width, self._signs = view, width, signs
        told = [[signs.safe(column.tell(one, view)[0]) for one in rigs] for column in COLUMNS]
        sizes = [
            max([column.least, cell_len(signs.safe(column.title)), *map(cell_len, texts)])
            for column, texts in zip(COLUMNS, told, strict=True)
        ]
        kept: list[int] = []
        for place in sorted(range(len(COLUMNS)), key=lambda i: (COLUMNS[i].gives_way, i)):
            taken = sum(sizes[i] + 1 for i in kept)
            # A column that tells nothing of any rig leaves its room to others.
            empty = all(text == signs.safe(words.DASH) for text in told[place]) and rigs
            if not empty and (COLUMNS[place].gives_way == 0 or taken + sizes[place] <= width):
                kept.append(place)
        self._columns = [(COLUMNS[i], sizes[i]) for i in sorted(kept)]
        rest = width - sum(size + 1 for _, size in self._columns)
        if rest >= _LEAST_LAST and any(_trouble(one, view)[0] for one in rigs):
            self._columns.append((_LAST, rest))

    @property
    def titles(self) -> Text:
        """Return the line of titles."""
        row, at = Row(self._signs, self._width), 0
        for column, size in self._columns:
            if column.right:
                row.right(column.title, at + size, "bold cyan")
            else:
                row.put(column.title, "bold cyan")
            at += size + 1
            row.put(" " * max(at - row.used, 0))
        row.text.rstrip()
        return row.text

    def line(self, one: Judged) -> Text:
        """Return a rig's line."""
        row, at = Row(self._signs, self._width), 0
        for column, size in self._columns:
            text, style = column.tell(one, self._view)
            if column.right:
                row.right(text, at + size, style)
            else:
                row.put(text, style)
            at += size + 1
            row.put(" " * max(at - row.used, 0))
        row.text.rstrip()
        return row.text
