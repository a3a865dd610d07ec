"""What lines mean in a map of cracks, and what has to be said beside it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final

from rig.report.crack_drawing import CLASSES, LOOKS, RING, STOOD, Located
from rig.report.crack_growth import CrackGrowth, Mark
from rig.report.crack_lines import NOTES
from rig.report.crack_text import joined, label
from rig.report.letters import wrap

if TYPE_CHECKING:
    from matplotlib.figure import Figure

MARGIN: Final = 0.1
"""Room at the left and right edge [in]: a page has margins of its own."""
HEIGHT: Final = 0.62
"""Room for the legend [in]."""
SIZE: Final = 7.0
"""Size of the words [pt]."""
LINE: Final = 0.135
"""Height of a line of notes [in]."""
_MEANINGS: Final = {
    "stood": "as it stood when last marked",
    "new": "new since last marked",
    "passed-over": "not read here, as read last",
}


def draw_legend(figure: Figure, bottom: float) -> None:
    """Draw the legend into a block of a figure whose lower edge is at `bottom` [in]."""
    from matplotlib.lines import Line2D

    widths = [Line2D([], [], color=STOOD, lw=points) for _, points in CLASSES]
    _row(figure, bottom + 0.4, "Crack width:", widths, _classes())
    looks = [
        Line2D([], [], color=colour, lw=1.6, ls=dashes if dashes[1] else "-")
        for colour, dashes in LOOKS.values()
    ]
    ring = Line2D([], [], **RING)
    _row(figure, bottom + 0.16, "Lines:", [*looks, ring], [*_MEANINGS.values(), "width not read"])


def _classes() -> list[str]:
    """Return the classes of crack width [mm] in words."""
    edges = [1e3 * most for most, _ in CLASSES]
    return [
        f"up to {edges[0]:g} mm",
        *(f"to {most:g}" for most in edges[1:-1]),
        f"over {edges[-2]:g} mm",
    ]


def _row(figure: Figure, y: float, head: str, handles: list[Any], words: list[str]) -> None:
    wide, high = figure.get_size_inches()
    figure.text(MARGIN / wide, y / high, head, fontsize=SIZE, va="center")
    figure.legend(
        handles,
        words,
        loc="center left",
        bbox_to_anchor=((MARGIN + 0.72) / wide, y / high),
        ncols=len(words),
        frameon=False,
        fontsize=SIZE,
        handlelength=2.2,
        handletextpad=0.4,
        columnspacing=1.0,
        borderpad=0.0,
    )


def notes_of(growth: CrackGrowth, found: Located, unlabelled: int, width: float) -> list[str]:
    """Return what is said beside the map of the last inspection, in lines of a width [mm]."""
    notes = [
        "To one scale in both directions; below the edge: mm from the left support. Beside a "
        "crack: its label, and its width in mm as read at this inspection where there is room."
    ]
    notes += [
        f"{NOTES[name][0].upper()}{NOTES[name][1:]}." for name in NOTES if name in found.assumed
    ]
    if unlabelled:
        cracks = "crack has" if unlabelled == 1 else "cracks have"
        notes.append(f"{unlabelled} {cracks} no label here for want of room; the table has all.")
    if found.left_out:
        notes.append(
            f"Not drawn, for the place was not read or is beyond it: {_names(found.left_out)}."
        )
    if growth.unmapped:
        counts = joined([f"{count:,}" for count in growth.unmapped])
        notes.append(f"Inspections at which no crack was read: at {counts} cycles.")
    notes.append(
        "Length beyond the supports is not in a specimen's file: ends are drawn as far as cracks "
        "need, at least 6 % of the span."
    )
    return [line for note in notes for line in wrap(note, width, SIZE)]


def _names(marks: Iterable[Mark]) -> str:
    return joined([f"{label(mark.label)} {mark.face}".strip() for mark in marks])
