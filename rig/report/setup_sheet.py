"""The set-up sheet on one page of A4, in black on white, to print and to sign."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.errors import StorageError
from rig.protocol.plan import Bounds, Plan
from rig.record.trouble import storage
from rig.report.letters import POINTS, printable, wrap
from rig.report.setup_drawing import draw_setup
from rig.report.setup_facts import CAUTIONS, PROGRAM, LimitRow, Sheet, sheet_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH: Final = 210.0
HEIGHT: Final = 297.0
"""A4 [mm] (ISO 216)."""
MARGIN: Final = 12.0
"""Most printers leave so much [mm] white."""
LARGEST: Final = 9.0
SMALLEST: Final = 6.0
"""Sizes of the text [pt]; under 6 pt nobody reads it at a rig."""
STEP: Final = 0.25
_LINE: Final = 1.32
"""Height of a line over the size of its text."""
_GREY: Final = "#e6e6e6"
_PAD: Final = 0.3
"""White about the text of a table, in lines."""
_ABOVE: Final = 0.25
"""How much of it stands above: a line has white of its own below its letters."""
OTHERWISE: Final = (
    "A LIMIT READS BACK OTHERWISE THAN PLANNED: find out why, and set it, before anybody goes on. "
    "A run writes its limits anew and goes no further where they do not read back."
)
_INITIALS: Final = 30.0
"""Room [mm] for initials and time beside a step."""
_DOUBTS: Final = 4
"""Doubts that are printed whole; of more the sheet says how many."""


class NoRoom(StorageError):
    """The sheet does not fit on its page."""


@dataclass(slots=True)
class _Pen:
    """Where the next line stands [mm from the bottom], and how large the text is [pt].

    Without `axes` nothing is drawn: the height is only worked out.
    """

    size: float
    axes: Axes | None = None
    y: float = field(default=HEIGHT - MARGIN)

    @property
    def line(self) -> float:
        """Height of a line [mm]."""
        return self.size * _LINE / POINTS

    def text(self, x: float, text: str, *, weight: str = "normal", size: float = 0.0) -> None:
        """Write one line at x [mm], its top at y."""
        if self.axes is not None:
            self.axes.text(
                x,
                self.y,
                printable(text),
                fontsize=size or self.size,
                fontweight=weight,
                va="top",
                ha="left",
                parse_math=False,
            )

    def lines(self, x: float, text: str, width: float, *, weight: str = "normal") -> int:
        """Write text wrapped to a width [mm] without moving on; return how many lines."""
        wrapped = wrap(text, width, self.size, weight)
        top = self.y
        for line in wrapped:
            self.text(x, line, weight=weight)
            self.y -= self.line
        self.y = top
        return len(wrapped)

    def box(self, x: float, width: float, height: float, *, fill: str = "none") -> None:
        """Draw a box whose top is at y."""
        if self.axes is not None:
            from matplotlib.patches import Rectangle

            self.axes.add_patch(
                Rectangle(
                    (x, self.y - height), width, height, facecolor=fill, edgecolor="black", lw=0.5
                )
            )

    def rule(self, weight: float = 0.4) -> None:
        """Draw a line across the page."""
        if self.axes is not None:
            self.axes.plot([MARGIN, WIDTH - MARGIN], [self.y, self.y], color="black", lw=weight)

    def on(self, lines: float) -> None:
        """Go down so many lines."""
        self.y -= lines * self.line


def write_sheet(
    plan: Plan, path: Path, today: date, read_back: Mapping[str, Bounds] | None = None
) -> None:
    """Write the sheet of a plan as PDF; `read_back` are the controller's limits [SI] by channel.

    Raises StorageError where it cannot be written, or does not fit.
    """
    sheet = sheet_of(plan, today, read_back)
    figure = draw_sheet(sheet)
    # The same sheet is the same file: what draws would ask a clock of its own.
    made = datetime.combine(today, time())
    told = {"Creator": "nightrig", "Title": sheet.title, "CreationDate": made}
    with storage(path, "write the set-up sheet"):
        figure.savefig(path, format="pdf", metadata=told)


def draw_sheet(sheet: Sheet) -> Figure:
    """Return the page with the largest text that fits. Raises NoRoom where none does."""
    # Imported late: matplotlib would slow down every command.
    from matplotlib.figure import Figure

    size = _fitting(sheet)
    figure = Figure(figsize=(WIDTH / 25.4, HEIGHT / 25.4))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set(xlim=(0, WIDTH), ylim=(0, HEIGHT))
    axes.axis("off")
    _page(_Pen(size, axes), sheet)
    return figure


def _fitting(sheet: Sheet) -> float:
    size = LARGEST
    while size >= SMALLEST:
        pen = _Pen(size)
        _page(pen, sheet)
        if pen.y >= MARGIN:
            return size
        size -= STEP
    raise NoRoom(
        "the set-up sheet does not fit on one page; shorten the title, names of faces and "
        "channels, or leave out channels that the test does not need"
    )


def _page(pen: _Pen, sheet: Sheet) -> None:
    _head(pen, sheet)
    _facts(pen, sheet)
    _channels(pen, sheet)
    _steps(pen, sheet)
    _limits(pen, sheet)
    _foot(pen)


def _head(pen: _Pen, sheet: Sheet) -> None:
    big = pen.size + 4
    for line in wrap(f"Set-up: {sheet.title}", WIDTH - 2 * MARGIN, big, "bold"):
        pen.text(MARGIN, line, weight="bold", size=big)
        pen.y -= big * _LINE / POINTS
    pen.text(MARGIN, f"Rig: {sheet.rig}    made {sheet.made.isoformat()}    run: ________________")
    pen.on(1.3)
    for caution in CAUTIONS:
        pen.on(pen.lines(MARGIN, caution, WIDTH - 2 * MARGIN))
    shown = sheet.doubts[:_DOUBTS]
    more = len(sheet.doubts) - len(shown)
    for doubt in shown:
        pen.on(pen.lines(MARGIN, f"ATTENTION: {doubt}", WIDTH - 2 * MARGIN, weight="bold"))
    if more:
        pen.text(MARGIN, f"ATTENTION: and {more} more; nightrig check names them", weight="bold")
        pen.on(1)
    pen.on(0.3)
    pen.rule(0.8)
    pen.on(0.3)


def _facts(pen: _Pen, sheet: Sheet) -> None:
    """Write the facts on the left, the drawing on the right."""
    top, half = pen.y, (WIDTH - 2 * MARGIN) / 2
    for name, value in sheet.facts:
        pen.text(MARGIN, name, weight="bold")
        pen.on(pen.lines(MARGIN + 24, value, half - 26))
    low = min(pen.y, top - 42.0)
    if pen.axes is not None:
        draw_setup(pen.axes, sheet, (MARGIN + half, low + 1, half, top - low - 1), pen.size)
    pen.y = low
    pen.on(0.2)


def _channels(pen: _Pen, sheet: Sheet) -> None:
    widths = (32.0, 30.0, 38.0, 58.0, 28.0)
    heads = ("channel", "range", "used for", "calibration", "position")
    rows = [(c.name, c.range, c.used_for, c.calibration, "") for c in sheet.channels]
    _table(pen, widths, heads, rows)


def _table(
    pen: _Pen, widths: Sequence[float], heads: Sequence[str], rows: Iterable[Sequence[str]]
) -> None:
    """Write a table; a cell that is too long is wrapped."""
    pen.box(MARGIN, sum(widths), pen.line * (1 + _PAD), fill=_GREY)
    pen.on(_ABOVE)
    for x, head in zip(_edges(widths), heads, strict=True):
        pen.text(x + 0.8, head, weight="bold")
    pen.on(1 + _PAD - _ABOVE)
    for row in rows:
        cells = zip(_edges(widths), widths, row, strict=True)
        pen.on(_ABOVE)
        lines = max(pen.lines(x + 0.8, cell, width - 1.6) for x, width, cell in cells)
        pen.on(-_ABOVE)
        for x, width in zip(_edges(widths), widths, strict=True):
            pen.box(x, width, pen.line * (lines + _PAD))
        pen.on(lines + _PAD)
    pen.on(0.5)


def _edges(widths: Sequence[float]) -> list[float]:
    edges = [MARGIN]
    for width in widths[:-1]:
        edges.append(edges[-1] + width)
    return edges


def _steps(pen: _Pen, sheet: Sheet) -> None:
    right = WIDTH - MARGIN - _INITIALS
    pen.text(MARGIN, "Step by step, each signed before the next", weight="bold")
    pen.text(right, "initials", weight="bold")
    pen.text(right + _INITIALS / 2, "time", weight="bold")
    pen.on(1.25)
    for number, step in enumerate(sheet.steps, 1):
        side = pen.size / POINTS
        pen.box(MARGIN, side, side)
        pen.text(MARGIN + side + 1, f"{number}.")
        lines = pen.lines(MARGIN + side + 7, step, right - MARGIN - side - 9)
        pen.on(lines - 1)
        pen.text(right, "_______")
        pen.text(right + _INITIALS / 2, "_______")
        pen.on(1.2)
    pen.on(0.2)


def _limits(pen: _Pen, sheet: Sheet) -> None:
    pen.text(
        MARGIN, "Limits, last of all: as planned, and read back from the controller", weight="bold"
    )
    pen.on(1.25)
    widths = (24.0, 38.0, 27.0, 27.0, 27.0, 27.0, 16.0)
    heads = ("channel", "held by", "low", "high", "read: low", "read: high", "equal")
    _table(pen, widths, heads, [_limit(row) for row in sheet.limits])
    if any(row.same is False for row in sheet.limits):
        pen.on(-0.3)
        pen.on(pen.lines(MARGIN, OTHERWISE, WIDTH - 2 * MARGIN, weight="bold") + 0.6)
    if sheet.later:
        pen.on(-0.3)
        pen.on(pen.lines(MARGIN, sheet.later, WIDTH - 2 * MARGIN) + 0.3)


def _limit(row: LimitRow) -> tuple[str, ...]:
    equal = {True: "yes", False: "NO", None: ""}[row.same]
    if row.where == PROGRAM:
        return (row.name, row.where, row.low, row.high, "-", "-", "-")
    return (row.name, row.where, row.low, row.high, row.back_low, row.back_high, equal)


def _foot(pen: _Pen) -> None:
    pen.on(0.8)
    pen.text(
        MARGIN,
        "Set up by: ________________________    checked by: ________________________"
        "    date, time: ____________________",
    )
    pen.on(1.0)
