"""Labels of cracks in a map: beside their tips, where nothing else stands."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rig.report.crack_drawing import NEW, PASSED, STOOD, Placed
from rig.report.crack_growth import Mark
from rig.report.crack_layout import Layout
from rig.report.crack_lines import Beam
from rig.report.crack_text import label

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from rig.samples import FloatArray

SIZE: Final = 6.5
"""Size of a label [pt]."""
_LETTER: Final = 0.62 * SIZE / 72
_LINE: Final = 1.2 * SIZE / 72
"""Width of a letter of usual text, and height of a line [in]."""
_GAP: Final = 0.03
_WHITE: Final = {"facecolor": "white", "edgecolor": "none", "pad": 0.2}
_NEAR: Final = _LINE / 3
"""Distance of the points [in] of a line that labels have to keep clear of."""

Box = tuple[float, float, float, float]
"""Left, right, bottom and top [in]."""


def words_of(mark: Mark) -> str:
    """Return what stands at a crack: its label and its width [mm] as it was read there."""
    width = mark.now.width
    return f"{label(mark.label)} {'not read' if math.isnan(width) else f'{width * 1e3:.3g}'}"


@dataclass(frozen=True, slots=True)
class Label:
    """The words at a crack, and their middle [in]."""

    mark: Mark
    words: str
    middle: tuple[float, float]


def labelled(placed: Sequence[Placed], layout: Layout, beam: Beam) -> tuple[Label, ...]:
    """Return the labels that have room, the widest cracks first, then names without a width."""
    lines = [np.array(layout.line(p.mark.face, p.line)) * layout.scale for p in placed]
    points = [_along(line) for line in lines]
    taken = _Taken(np.concatenate(points) if points else np.empty((0, 2)))
    found = []
    left = sorted(range(len(placed)), key=lambda n: -_rank(placed[n].mark))
    # Where there is no room for its width a crack has its name alone: the table has the width.
    for told in (words_of, lambda mark: label(mark.label)):
        without = []
        for n in left:
            mark, words = placed[n].mark, told(placed[n].mark)
            box = taken.place(lines[n], (len(words) + 0.5) * _LETTER, layout.area(mark.face, beam))
            if box is None:
                without.append(n)
            else:
                middle = (box[0] + box[1]) / 2, (box[2] + box[3]) / 2
                found.append(Label(mark, words, middle))
        left = without
    return tuple(found)


def draw_labels(axes: Axes, labels: Iterable[Label], layout: Layout) -> None:
    """Write labels into a map."""
    for one in labels:
        x, y = (place / layout.scale for place in one.middle)
        colour = NEW if one.mark.new else STOOD if one.mark.read else PASSED
        where: dict[str, Any] = {"ha": "center", "va": "center", "zorder": 5, "bbox": _WHITE}
        name = f"{axes.get_gid()}-label-{one.mark.first}"
        axes.text(x, y, one.words, fontsize=SIZE, color=colour, gid=name, **where)


def _rank(mark: Mark) -> float:
    return -1.0 if math.isnan(mark.now.width) else mark.now.width


def _along(line: FloatArray) -> FloatArray:
    points = 2 + int(np.hypot(*(line[1] - line[0])) / _NEAR)
    share = np.linspace(0.0, 1.0, points)[:, None]
    return np.asarray(line[0] + share * (line[1] - line[0]))


class _Taken:
    """Where nothing more can stand: lines as points, shape (n, 2), and labels as boxes [in]."""

    def __init__(self, points: FloatArray) -> None:
        self._points = points
        self._boxes = np.empty((0, 4))

    def place(self, line: FloatArray, width: float, area: Box) -> Box | None:
        """Take the first free place about a line for a label and return it, None without one."""
        for left, bottom in _places(line, width):
            box = (left, left + width, bottom, bottom + _LINE)
            inside = box[0] >= area[0] and box[1] <= area[1]
            if inside and box[2] >= area[2] and box[3] <= area[3] and self._free(box):
                self._boxes = np.vstack([self._boxes, box])
                return box
        return None

    def _free(self, box: Box) -> bool:
        left, right, bottom, top = box
        x, y = self._points.T
        if np.any((x > left) & (x < right) & (y > bottom) & (y < top)):
            return False
        lefts, rights, bottoms, tops = self._boxes.T
        return not np.any((lefts < right) & (rights > left) & (bottoms < top) & (tops > bottom))


def _places(line: FloatArray, width: float) -> Iterable[tuple[float, float]]:
    """Return places about a line, the best first, by their lower left corner."""
    foot, tip = line
    high = max(foot[1], tip[1])
    yield tip[0] - width / 2, high + _GAP
    yield tip[0] + _GAP, tip[1] - _LINE / 2
    yield tip[0] - _GAP - width, tip[1] - _LINE / 2
    for share in (0.5, 0.25, 0.75, 0.0):
        x, y = foot + share * (tip - foot)
        yield x - width / 2, y + _GAP
        yield x - width / 2, y - _GAP - _LINE
        yield x + _GAP, y - _LINE / 2
        yield x - _GAP - width, y - _LINE / 2
    for step in (1, 2):
        yield tip[0] - width / 2, high + _GAP + step * _LINE
