"""Where a crack is drawn on its face: lines [m] out of what was read, and what was assumed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from rig.mechanics.specimen import Section, Specimen
from rig.record.cracks import FACES
from rig.report.crack_growth import CrackGrowth, Mark, Reading

JUT: Final = 0.06
"""Share of the span drawn beyond a support: a specimen file does not say how long it is."""
MOST: Final = 0.25
"""Share of the span, and twice the height, beyond which no crack is drawn."""
STUB: Final = 0.25
"""Share of its face that a crack of unknown size is drawn on."""
SLOPE: Final = math.sqrt(0.5)
"""Sine and cosine of 45 degrees."""
WIRE: Final = 0.25
"""Share of the height at which a longitudinal crack is drawn where there is no tendon."""
NOTES: Final = {
    "inclination": "inclination not recorded: inclined cracks are drawn at 45°, from the place "
    "read up towards mid-span",
    "height": "height of a longitudinal crack not read: drawn at the lowest tendon",
    "length": "neither length nor tip read: drawn a quarter of the face long",
    "foot": "length not read with the tip: drawn from the soffit to the tip",
    "tip": "tip not read with the length: drawn as high as the crack is long, at least to the tip",
    "direction": "direction not told: drawn upright",
    "across": "place across the width is not recorded: drawn in the middle",
    "from": "longitudinal cracks are drawn from the place read to the right",
    "cut": "a crack longer than its tip is high, or than its face, is drawn as far as the edge",
}
"""What is said beside a map of each thing that was assumed."""
ENDS: Final = ("left-end", "right-end")
FLAT: Final = ("bottom", "top")


@dataclass(frozen=True, slots=True)
class Beam:
    """The specimen as it is drawn [m]; `left` and `right` are its ends from the left support.

    `tendon` is the lowest tendon's height above the soffit, `outline` of the section (height above
    the soffit, width) from the top down.
    """

    span: float
    load_spacing: float
    height: float
    left: float
    right: float
    tendon: float
    outline: tuple[tuple[float, float], ...]

    @property
    def width(self) -> float:
        """The largest width."""
        return max(width for _, width in self.outline)

    def width_at(self, height: float) -> float:
        """Return how wide the section is at a height above the soffit."""
        for (high, upper), (low, lower) in pairwise(self.outline):
            if low <= height <= high and high > low:
                return lower + (upper - lower) * (height - low) / (high - low)
        return self.width

    def size(self, face: str) -> tuple[float, float, float, float]:
        """Return left, right, bottom and top of a face laid flat."""
        if face in ENDS:
            return 0.0, self.width, 0.0, self.height
        if face in FLAT:
            return self.left, self.right, 0.0, self.outline[-1 if face == "bottom" else 0][1]
        return self.left, self.right, 0.0, self.height


@dataclass(frozen=True, slots=True)
class Line:
    """A straight crack on its face [m], from its foot to its tip; `assumed` are keys of `NOTES`."""

    foot: tuple[float, float]
    tip: tuple[float, float]
    assumed: frozenset[str] = frozenset()

    def at(self, share: float) -> tuple[float, float]:
        """Return the point at a share of its length from the foot."""
        (x, y), (u, v) = self.foot, self.tip
        return x + share * (u - x), y + share * (v - y)


def beam_of(specimen: Specimen, growth: CrackGrowth) -> Beam:
    """Return a specimen as it is drawn, long enough for the cracks beyond its supports."""
    section = specimen.section
    most = max(MOST * section.span, 2 * section.height)
    reach = [x for x in _reach(growth) if -most <= x <= section.span + most]
    jut = JUT * section.span
    depth = max((t.depth for t in specimen.tendons), default=(1 - WIRE) * section.height)
    return Beam(
        span=section.span,
        load_spacing=section.load_spacing,
        height=section.height,
        left=min([-jut, *reach]),
        right=max([section.span + jut, *reach]),
        tendon=min(max(section.height - depth, 0.0), section.height),
        outline=_outline(section),
    )


def _reach(growth: CrackGrowth) -> Iterable[float]:
    """Return places along the span that cracks come to."""
    for mark in growth.inspections[-1].marks if growth.inspections else ():
        if mark.face not in ENDS and not math.isnan(mark.known.position):
            yield mark.known.position
            if mark.direction == "longitudinal" and not math.isnan(mark.known.length):
                yield mark.known.position + mark.known.length


def _outline(section: Section) -> tuple[tuple[float, float], ...]:
    if section.outline:
        return tuple((section.height - depth, width) for depth, width in section.outline)
    return ((section.height, section.width), (0.0, section.width_bottom))


def line_of(mark: Mark, reading: Reading, beam: Beam) -> Line | None:
    """Return a crack as a reading of it tells, None where it cannot be placed on its face."""
    if mark.face not in FACES:
        return None
    left, right, _, top = beam.size(mark.face)
    place = (left + right) / 2 if mark.face in ENDS else reading.position
    if not left <= place <= right:
        return None
    if mark.face in FLAT:
        line = _flat(mark.direction, place, reading, (right - left, top))
    elif mark.direction == "longitudinal":
        line = _lengthwise(mark.face, place, reading, beam)
    elif mark.direction == "inclined":
        line = _inclined(place, reading, top, -1 if place > (left + right) / 2 else 1)
    else:
        line = _upright(place, reading, top)
    assumed = set(line.assumed) | ({"across"} if mark.face in (*FLAT, *ENDS) else set())
    if not mark.direction:
        assumed.add("direction")
    if mark.face in ENDS:
        half = min(beam.width_at(line.foot[1]), beam.width_at(line.tip[1])) / 2
        left, right = place - half, place + half
    return _within(Line(line.foot, line.tip, frozenset(assumed)), (left, right, 0.0, top))


def _rise(reading: Reading, top: float, slope: float) -> tuple[float, float, frozenset[str]]:
    """Return the heights of foot and tip of a crack that rises by `slope` of its length."""
    known, length = not math.isnan(reading.height), reading.length * slope
    if math.isnan(length) or (known and reading.height_entry > reading.length_entry):
        tip = reading.height if known else STUB * top
        return 0.0, min(tip, top), frozenset({"foot" if known else "length"})
    if known and reading.length_entry > reading.height_entry and length > reading.height:
        # It has grown beyond the tip that was read before.
        return 0.0, min(length, top), frozenset({"tip", *(["cut"] if length > top else ())})
    tip = min(reading.height if known else length, top)
    # Longer than its tip is high, it wanders, or goes round the edge to the soffit.
    return max(tip - length, 0.0), tip, frozenset({"cut"} if length > tip * (1 + 1e-9) else ())


def _upright(place: float, reading: Reading, top: float) -> Line:
    foot, tip, assumed = _rise(reading, top, 1.0)
    return Line((place, foot), (place, tip), assumed)


def _inclined(place: float, reading: Reading, top: float, lean: int) -> Line:
    foot, tip, assumed = _rise(reading, top, SLOPE)
    run = lean * (tip - foot)
    return Line((place, foot), (place + run, tip), assumed | {"inclination"})


def _lengthwise(face: str, place: float, reading: Reading, beam: Beam) -> Line:
    known = not math.isnan(reading.height)
    height = min(reading.height if known else beam.tendon, beam.height)
    short = math.isnan(reading.length)
    length = STUB * beam.height if short else reading.length
    assumed = {*([] if known else ["height"]), *(["length"] if short else [])}
    if face in ENDS:
        return Line((place - length / 2, height), (place + length / 2, height), frozenset(assumed))
    return Line((place, height), (place + length, height), frozenset({*assumed, "from"}))


def _flat(direction: str, place: float, reading: Reading, size: tuple[float, float]) -> Line:
    """Return a crack of the bottom or the top: its place across the width is not recorded."""
    middle = size[1] / 2
    short = math.isnan(reading.length)
    length = STUB * size[1] if short else reading.length
    assumed = frozenset(["length"] if short else [])
    if direction == "longitudinal":
        return Line((place, middle), (place + length, middle), assumed | {"from"})
    along = length / 2 * (SLOPE if direction == "inclined" else 0.0)
    across = length / 2 * (SLOPE if direction == "inclined" else 1.0)
    if direction == "inclined":
        assumed |= {"inclination"}
    return Line((place - along, middle - across), (place + along, middle + across), assumed)


def _within(line: Line, box: tuple[float, float, float, float]) -> Line:
    """Return a line cut off at the edges of its face; one of its points lies within."""
    left, right, bottom, top = box
    low, high = 0.0, 1.0
    for a, b, least, most in (
        (line.foot[0], line.tip[0], left, right),
        (line.foot[1], line.tip[1], bottom, top),
    ):
        if a != b:
            near, far = sorted(((least - a) / (b - a), (most - a) / (b - a)))
            low, high = max(low, near), min(high, far)
    if low <= 0.0 and high >= 1.0:
        return line
    return Line(line.at(low), line.at(max(low, high)), line.assumed | {"cut"})


def grown(line: Line, before: Line | None) -> tuple[tuple[Line, bool], ...]:
    """Return the pieces of a crack and whether each is new since last marked.

    `before` is the line as it was then, None where there was none. Where a size was not read,
    nothing is known to be new; where the foot was not, nothing there.
    """
    if before is None:
        return ((line, True),)
    if "length" in line.assumed | before.assumed or line.foot == line.tip:
        return ((line, False),)
    low, high = sorted((_share(line, before.foot), _share(line, before.tip)))
    if "foot" in line.assumed | before.assumed:
        low = 0.0
    cuts = [0.0, min(max(low, 0.0), 1.0), min(max(high, 0.0), 1.0), 1.0]
    pieces = zip(cuts, cuts[1:], (True, False, True), strict=False)
    return tuple(
        (Line(line.at(a), line.at(b), line.assumed), new) for a, b, new in pieces if b - a > 1e-6
    )


def _share(line: Line, point: tuple[float, float]) -> float:
    """Return how far along a line a point is, as a share of its length."""
    (x, y), (u, v) = line.foot, line.tip
    long = (u - x) ** 2 + (v - y) ** 2
    return ((point[0] - x) * (u - x) + (point[1] - y) * (v - y)) / long if long else 0.0
