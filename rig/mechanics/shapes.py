"""The concrete outline of a section: pieces of linear width, area, centroid, inertia, weight.

Lengths [m], depths from the top; moments [N m], sagging positive, at mid-span.

Named tuples here and in the modules beside: `check` waits for each class that is made, and a frozen
dataclass takes nine times as long to make.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from rig.units import GRAVITY

if TYPE_CHECKING:
    from rig.mechanics.either import Either
    from rig.mechanics.specimen import Section, Specimen


class SectionProperties(NamedTuple):
    """Area [m2], centroid from the top [m], second moment about it [m4]."""

    area: float
    centroid: float
    inertia: float

    def bottom_modulus(self, height: float) -> float:
        """Return the section modulus [m3] of the bottom fibre of a section of some height."""
        return self.inertia / (height - self.centroid)


class Piece(NamedTuple):
    """A slice of the section: depths of its ends and widths there [m], linear between."""

    top: float
    bottom: float
    width_top: float
    width_bottom: float


def pieces(section: Section) -> tuple[Piece, ...]:
    """Return the slices of a section from top to bottom.

    The outline of a general section goes straight from point to point; above its first point and
    below its last it keeps their width. Two widths at one depth are a step.
    """
    if section.shape != "general":
        return (Piece(0.0, section.height, section.width, section.width_bottom),)
    outline = section.outline
    points = [(0.0, outline[0][1]), *outline, (section.height, outline[-1][1])]
    return tuple(Piece(y, z, b, c) for (y, b), (z, c) in pairwise(points) if z > y)


def gross(section: Section) -> SectionProperties:
    """Return the properties of the concrete alone."""
    area = first = second = 0.0
    for piece in pieces(section):
        # Gauss's two points are exact up to the third power: width linear, depth squared.
        middle, half = (piece.top + piece.bottom) / 2, (piece.bottom - piece.top) / 2
        for side in (-1.0, 1.0):
            y = middle + side * half / 3**0.5
            part = half * float(width_at(piece, y))
            area, first, second = area + part, first + part * y, second + part * y * y
    centroid = first / area
    return SectionProperties(area, centroid, second - area * centroid**2)


def width_at(piece: Piece, y: Either) -> Either:
    """Return the width [m] of a slice at a depth [m]."""
    slope = (piece.width_bottom - piece.width_top) / (piece.bottom - piece.top)
    return piece.width_top + slope * (y - piece.top)


def shear_span(section: Section) -> float:
    """Return the distance [m] from a support to the load next to it."""
    return (section.span - section.load_spacing) / 2


def self_weight(specimen: Specimen) -> float:
    """Return the weight of the concrete per length [N/m]; steel counts as the concrete it takes."""
    return specimen.concrete.density * gross(specimen.section).area * GRAVITY


def self_moment(specimen: Specimen) -> float:
    """Return the moment [N m] of self weight at mid-span: w L2 / 8."""
    return self_weight(specimen) * specimen.section.span**2 / 8


def load_at(specimen: Specimen, moment: Either) -> Either:
    """Return the actuator load [N] that completes self weight to a moment [N m] at mid-span."""
    return 2 * (moment - self_moment(specimen)) / shear_span(specimen.section)


def moment_under(specimen: Specimen, load: Either) -> Either:
    """Return the moment [N m] at mid-span under an actuator load [N] and self weight."""
    return load / 2 * shear_span(specimen.section) + self_moment(specimen)
