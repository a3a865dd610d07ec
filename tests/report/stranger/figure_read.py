"""The drawn curves of a page: their extremes, by the marks of their axis, held against columns.

A panel of a figure begins with its white ground; the marks on its left axis carry their values as
text, so that two of them tell how heights become values. The panel beside it has the same axis.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from page_read import Page, Shape
from run_file import RunFile

CLOSE = 0.1
"""Units of the drawing by which a curve may lie beside its value; a pixel is larger."""
DRAWN = {
    "largest load [kN]": (1e3, ("load_max",)),
    "smallest load [kN]": (1e3, ("load_min",)),
    "net deflection [mm]": (1e-3, ("deflection_max", "deflection_range", "deflection_min")),
    "stiffness [kN/mm]": (1e6, ("stiffness",)),
    "energy a cycle [J]": (1.0, ("energy",)),
}
"""By the name of an axis: its unit in SI, and the columns of /cycles whose curves come first."""
GRID = "#d9d9d9"
FIGURES = ("figure_load", "figure_net-deflection", "figure_stiffness", "figure_energy")


@dataclass
class Panel:
    """Heights of the curves, marks as (height, value), and the name of the axis."""

    name: str = ""
    marks: list[tuple[float, float]] = field(default_factory=list)
    curves: list[np.ndarray] = field(default_factory=list)


def flat(shape: Shape) -> Iterator[Shape]:
    """Give the elements of a figure in the order in which they are drawn."""
    for inner in shape.inside:
        yield inner
        yield from flat(inner)


def panels(figure: Shape) -> list[Panel]:
    """Return the panels of a figure."""
    found: list[Panel] = []
    before: Shape | None = None
    for shape in flat(figure):
        if shape.tag == "path" and shape.given.get("fill") == "#ffffff":
            found.append(Panel())
        elif not found:
            continue
        elif shape.tag == "path" and "clip-path" in shape.given:
            heights = line_of(shape)
            if heights is not None:
                found[-1].curves.append(heights)
        elif shape.tag == "text" and "rotate(-90" in shape.given.get("transform", ""):
            found[-1].name = shape.text
        elif _marks(shape, before):
            mark = float(shape.text.replace("−", "-").replace(",", ""))
            found[-1].marks.append((float(before.given["y"]), mark))
        before = shape
    return found


def _marks(shape: Shape, before: Shape | None) -> bool:
    """Tell whether a text is the value of the mark that was drawn before it on a left axis."""
    beside = before is not None and before.tag == "use"
    return beside and shape.tag == "text" and shape.given.get("text-anchor") == "end"


def line_of(path: Shape) -> np.ndarray | None:
    """Return the heights of a line of more than two points, None of any other path."""
    drawn, given = path.given.get("d", ""), path.given
    if (
        given.get("fill") != "none"
        or given.get("stroke") == GRID
        or re.search(r"[^ML\d .-]", drawn)
    ):
        return None
    numbers = [float(one) for one in re.findall(r"-?\d+(?:\.\d+)?", drawn)]
    return np.array(numbers[1::2]) if len(numbers) > 4 else None


def check_figures(page: Page, run: RunFile) -> tuple[list[str], int]:
    """Return a line for each curve that does not reach as far as its column, and how many were."""
    wrong, count = [], 0
    for name in FIGURES:
        figure = page.figures.get(name)
        if figure is None:
            continue
        before = Panel()
        for panel in panels(figure):
            if not panel.marks:
                panel.marks, panel.name = before.marks, before.name
            before = panel
            if panel.name not in DRAWN:
                continue
            count += 1
            wrong += [f"{name}, {panel.name}: {words}" for words in _panel_wrong(panel, run)]
    return wrong, count


def _panel_wrong(panel: Panel, run: RunFile) -> Iterator[str]:
    """Give what is wrong with the curves of a panel."""
    unit, columns = DRAWN[panel.name]
    (y, low), (z, high) = panel.marks[0], panel.marks[-1]
    there = [c for c in columns if f"cycles/{c.replace('_range', '_max')}" in run.file]
    if run.upto < 3:
        return
    if len(panel.curves) < len(there):
        yield f"{len(panel.curves)} curves are drawn of {len(there)} columns"
    for column, heights in zip(there, panel.curves, strict=False):
        values = (
            run.cycles_range(column.removesuffix("_range"))
            if column.endswith("_range")
            else run.column("cycles", column)
        )
        for end, drawn in ((np.nanmin, heights.max()), (np.nanmax, heights.min())):
            value = float(end(values)) / unit
            wanted = y + (value - low) / (high - low) * (z - y)
            if abs(drawn - wanted) > CLOSE:
                at = low + (drawn - y) / (z - y) * (high - low)
                yield f"{column} is drawn up to {at:.6g}, in the record {value:.6g}"
