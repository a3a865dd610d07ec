"""The specimen and its cracks, drawn into a map to scale."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.record.cracks import FACES
from rig.report.crack_growth import Inspection, Mark
from rig.report.crack_layout import Layout
from rig.report.crack_lines import ENDS, FLAT, Beam, Line, grown, line_of
from rig.report.figures import COLOURS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

CLASSES: Final = ((5e-5, 0.6), (1e-4, 1.2), (2e-4, 2.0), (4e-4, 3.0), (math.inf, 4.4))
"""Crack widths [m] up to which a line has which weight [pt]; common practice, no source."""
STOOD: Final = COLOURS[0]
NEW: Final = COLOURS[1]
PASSED: Final = "#606060"
DOTS: Final = (0.0, (1.0, 1.6))
LOOKS: Final[dict[str, tuple[str, tuple[float, Any]]]] = {
    "stood": (STOOD, (0.0, None)),
    "new": (NEW, (0.0, (3.5, 2.0))),
    "passed-over": (PASSED, DOTS),
}
"""Colour and dashes [pt] of lines, by what they are; the names stand in the file too."""
RING: Final[dict[str, Any]] = {
    "marker": "o",
    "linestyle": "none",
    "color": PASSED,
    "markerfacecolor": "white",
    "markersize": 3.6,
    "markeredgewidth": 0.8,
    "zorder": 4,
}
"""At the tip of a crack whose width was not read."""
NAMES: Final = {
    "front": "front",
    "back": "back, seen through from the front",
    "bottom": "bottom, left support on the left",
    "top": "top, left support on the left",
    "left-end": "left end",
    "right-end": "right end",
}
_LONG: Final = ("back",)
"""Faces with loads above them whose names are long."""
_GREY: Final = "#8c8c8c"
_THIN: Final = 0.6
_WORDS: Final = 7.0
_STEPS: Final = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
"""Distances [m] of the marks along the span."""


@dataclass(frozen=True, slots=True)
class Placed:
    """A crack that was drawn: its line on its face."""

    mark: Mark
    line: Line


@dataclass(frozen=True, slots=True)
class Located:
    """The cracks of an inspection that are drawn, and those that have no place."""

    placed: tuple[Placed, ...]
    left_out: tuple[Mark, ...]

    @property
    def assumed(self) -> frozenset[str]:
        """What had to be assumed of any of them."""
        return frozenset().union(*(one.line.assumed for one in self.placed))


def located(at: Inspection, beam: Beam) -> Located:
    """Return where the cracks known at an inspection are, as they were read last."""
    lines = [(mark, line_of(mark, mark.known, beam)) for mark in at.marks]
    return Located(
        tuple(Placed(mark, line) for mark, line in lines if line is not None),
        tuple(mark for mark, line in lines if line is None),
    )


def weight(width: float) -> float:
    """Return the weight of line [pt] of a crack width [m]; NaN has the thinnest."""
    if math.isnan(width):
        return CLASSES[0][1]
    return next(points for most, points in CLASSES if width <= most * (1 + 1e-9))


def draw_cracks(
    axes: Axes, placed: Iterable[Placed], layout: Layout, beam: Beam, factor: float = 1.0
) -> None:
    """Draw cracks, their lines `factor` as heavy as the legend says.

    What is drawn is named after the axes, so that no name comes twice in a figure.
    """
    lines: dict[str, list[tuple[Any, float]]] = {look: [] for look in LOOKS}
    tips = []
    for one in placed:
        ends = layout.line(one.mark.face, one.line)
        for piece, look in _pieces(one, beam):
            points = max(factor * weight(one.mark.now.width), CLASSES[0][1])
            lines[look].append((layout.line(one.mark.face, piece), points))
        if math.isnan(one.mark.now.width):
            tips.append(ends[1])
    _draw_lines(axes, lines, factor)
    if tips:
        ring = RING | {"markersize": factor * RING["markersize"]}
        axes.plot(*np.array(tips).T, gid=f"{axes.get_gid()}-width-not-read", **ring)


def _pieces(one: Placed, beam: Beam) -> Iterable[tuple[Line, str]]:
    mark, line = one.mark, one.line
    if not mark.read:
        return [(line, "passed-over")]
    before = None if mark.before is None else line_of(mark, mark.before, beam)
    if mark.before is not None and before is None:
        return [(line, "stood")]
    return [(piece, "new" if new else "stood") for piece, new in grown(line, before)]


def _draw_lines(axes: Axes, lines: dict[str, list[tuple[Any, float]]], factor: float) -> None:
    """Draw lines, all of one look and weight as one path: files stay small."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    for look, found in lines.items():
        colour, (offset, dashes) = LOOKS[look]
        style = (offset, dashes and tuple(factor * points for points in dashes))
        for points in sorted({points for _, points in found}):
            ends = np.concatenate([line for line, other in found if other == points])
            path = Path(ends, [Path.MOVETO, Path.LINETO] * (len(ends) // 2))
            path.should_simplify = False  # a short crack is a crack
            drawn = PathPatch(path, fill=False, edgecolor=colour, linewidth=points, linestyle=style)
            drawn.set(zorder=3, capstyle="butt", gid=f"{axes.get_gid()}-{look}-{points:g}")
            axes.add_patch(drawn)


def draw_beam(axes: Axes, layout: Layout, beam: Beam, *, large: bool) -> None:
    """Draw the faces with supports, load points and, in a large map, names and distances."""
    for face in layout.places:
        _face(axes, layout, beam, face)
        if face in ENDS:
            continue
        if face in FLAT:
            _lines_across(axes, layout, beam, face)
        else:
            _supports_and_loads(axes, layout, beam, face, 0.15 if large else 0.06)
        if large and face not in FLAT:
            # Small, the middle would hide a crack there.
            _middle(axes, layout, beam, face)
            _ruler(axes, layout, beam, face)
    if large:
        for face in layout.places:
            _name(axes, layout, beam, face)
        _distances(axes, layout, beam)


def _face(axes: Axes, layout: Layout, beam: Beam, face: str) -> None:
    x, y = layout.places[face]
    left, right, bottom, top = beam.size(face)
    corners = [(left, bottom), (right, bottom), (right, top), (left, top)]
    if face in ENDS:
        middle = (left + right) / 2
        rights = [(middle + width / 2, height) for height, width in beam.outline]
        corners = [*rights, *((2 * middle - across, up) for across, up in reversed(rights))]
    axes.fill(
        [x + across for across, _ in corners],
        [y + up for _, up in corners],
        facecolor="white",
        edgecolor="black",
        linewidth=0.9,
        gid=f"{axes.get_gid()}-{face}",
    )


def _lines_across(axes: Axes, layout: Layout, beam: Beam, face: str) -> None:
    """Draw where the supports are under a face that is seen from above or below."""
    x, y = layout.places[face]
    top = beam.size(face)[3]
    for place in (0.0, beam.span):
        axes.plot([x + place] * 2, [y, y + top], color=_GREY, lw=_THIN, ls=DOTS)


def _loads(beam: Beam) -> tuple[float, ...]:
    middle, half = beam.span / 2, beam.load_spacing / 2
    return (middle - half, middle + half) if half else (middle,)


def _supports_and_loads(axes: Axes, layout: Layout, beam: Beam, face: str, inches: float) -> None:
    x, y = layout.places[face]
    size = inches / layout.scale
    black: dict[str, Any] = {"facecolor": "white", "edgecolor": "black", "linewidth": _THIN}
    for n, place in enumerate((0.0, beam.span)):
        across = [x + place, x + place - 0.55 * size, x + place + 0.55 * size]
        name = f"{axes.get_gid()}-{face}-support-{n}"
        axes.fill(across, [y, y - size, y - size], gid=name, **black)
    for n, place in enumerate(_loads(beam)):
        across = [x + place, x + place - 0.4 * size, x + place + 0.4 * size]
        top, name = y + beam.height, f"{axes.get_gid()}-{face}-load-{n}"
        axes.fill(across, [top, top + size, top + size], gid=name, **black)


def _middle(axes: Axes, layout: Layout, beam: Beam, face: str) -> None:
    x, y = layout.places[face]
    middle = x + beam.span / 2
    axes.plot([middle] * 2, [y, y + beam.height], color=_GREY, lw=_THIN, ls="-.", zorder=1.5)


def _ruler(axes: Axes, layout: Layout, beam: Beam, face: str) -> None:
    """Draw marks of the distance from the left support along the soffit."""
    x, y = layout.places[face]
    inch = 1 / layout.scale
    step = next((s for s in _STEPS if s >= 0.45 * inch), _STEPS[-1])
    for n in range(math.ceil(beam.left / step - 1e-9), math.floor(beam.right / step + 1e-9) + 1):
        place = x + n * step
        axes.plot([place] * 2, [y, y - 0.05 * inch], color="black", lw=_THIN)
        words = f"{n * step * 1e3:.0f}"
        axes.text(
            place, y - 0.18 * inch, words, fontsize=6.5, ha="center", va="top", color="#303030"
        )


def _name(axes: Axes, layout: Layout, beam: Beam, face: str) -> None:
    x, y = layout.places[face]
    left, _, _, top = beam.size(face)
    # The triangles of the loads stand between; of the front the name is short.
    up = (0.18 if face in _LONG else 0.05) / layout.scale
    axes.text(x + left, y + top + up, NAMES[face], fontsize=8, va="bottom", fontweight="bold")


def _distances(axes: Axes, layout: Layout, beam: Beam) -> None:
    """Draw the span and the distance of the load points."""
    x, y = layout.places[FACES[0]]
    inch = 1 / layout.scale
    below = f"span {beam.span * 1e3:.4g} mm"
    _distance(axes, (x, x + beam.span), y - 0.4 * inch, below)
    if beam.load_spacing:
        loads = [x + place for place in _loads(beam)]
        top = y + beam.height + 0.27 * inch
        _distance(axes, (loads[0], loads[1]), top, f"{beam.load_spacing * 1e3:.4g} mm")


def _distance(axes: Axes, ends: tuple[float, float], y: float, words: str) -> None:
    arrow = {"arrowstyle": "<->", "lw": _THIN, "color": "black", "shrinkA": 0, "shrinkB": 0}
    axes.annotate("", (ends[0], y), (ends[1], y), arrowprops=arrow)
    white = {"facecolor": "white", "edgecolor": "none", "pad": 0.8}
    middle = sum(ends) / 2
    axes.text(middle, y, words, fontsize=_WORDS, ha="center", va="center", bbox=white)
