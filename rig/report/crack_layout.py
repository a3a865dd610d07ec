"""Where the faces of a specimen stand in a map of its cracks: all to one scale."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from rig.record.cracks import FACES
from rig.report.crack_growth import CrackGrowth
from rig.report.crack_lines import ENDS, FLAT, Beam, Line

TALLEST: Final = 3.0
"""Most height [in] of one face; of a deep beam the map gets narrower."""


Rooms = Mapping[str, tuple[float, float]]
"""What is left free above and below a row of faces [in], by "first", "side" and "other"."""
LARGE: Final[Rooms] = {"first": (0.42, 0.46), "side": (0.36, 0.34), "other": (0.22, 0.1)}
"""Room for names, loads and supports, and for distances at the first."""
SMALL: Final[Rooms] = {"first": (0.07, 0.07), "side": (0.07, 0.07), "other": (0.03, 0.03)}


@dataclass(frozen=True, slots=True)
class Layout:
    """A map of `width` and `height` [in] at `scale` [in/m].

    `places` are where the points (0, 0) of the faces stand in the map [m], its corner at the lower
    left being (0, 0); (0, 0) of a face is its left support and soffit, or its lower left corner.
    """

    scale: float
    width: float
    height: float
    places: Mapping[str, tuple[float, float]]

    def line(self, face: str, line: Line) -> tuple[tuple[float, float], tuple[float, float]]:
        """Return the ends of a line of a face as they stand in the map [m]."""
        x, y = self.places[face]
        (a, b), (c, d) = line.foot, line.tip
        return (x + a, y + b), (x + c, y + d)

    def area(self, face: str, beam: Beam) -> tuple[float, float, float, float]:
        """Return left, right, bottom and top of a face as it stands in the map [in]."""
        x, y = self.places[face]
        left, right, bottom, top = beam.size(face)
        across, up = (x + left, x + right), (y + bottom, y + top)
        return (*_scaled(across, self.scale), *_scaled(up, self.scale))


def _scaled(ends: tuple[float, float], scale: float) -> tuple[float, float]:
    return scale * ends[0], scale * ends[1]


def faces_of(growth: CrackGrowth) -> tuple[str, ...]:
    """Return the faces of a map: those with a crack, and the front."""
    marked = {face for _, face in growth.cracks}
    return tuple(face for face in FACES if face in marked or face == FACES[0])


def laid_out(beam: Beam, faces: Iterable[str], most: tuple[float, float], rooms: Rooms) -> Layout:
    """Return the layout of faces one under the other, the ends side by side.

    `most` is the width [in] it takes, and the height of which it takes no more.
    """
    width, high = most
    long = beam.right - beam.left
    rows: list[tuple[str, ...]] = [(face,) for face in faces if face not in ENDS]
    ends = tuple(face for face in faces if face in ENDS)
    rows += [ends] if ends else []
    tall = sum(beam.size(row[0])[3] for row in rows)
    free = high - sum(sum(rooms[_kind(row[0])]) for row in rows)
    scale = min(width / long, TALLEST / max(beam.height, beam.width), free / tall)
    # The last row comes first: heights are counted from the lower edge.
    bottom, places = 0.0, {}
    for row in reversed(rows):
        above, below = (inches / scale for inches in rooms[_kind(row[0])])
        bottom += below
        for n, face in enumerate(row):
            left, _, _, top = beam.size(face)
            shift = n * (1.5 * beam.width + 0.5 / scale)
            places[face] = ((width / scale - long) / 2 - left + shift, bottom)
        bottom += top + above
    return Layout(scale, width, bottom * scale, places)


def _kind(face: str) -> str:
    return "first" if face == FACES[0] else "other" if face in (*FLAT, *ENDS) else "side"
