"""A rectangular prestressed section: transformed, cracked, decompression, cracking, ultimate.

Lengths [m], stress [Pa], moments [N m]; depths are from the top, sagging moments positive,
tendon stress positive in tension. Self weight is not included: moments are total ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

CRUSHING_STRAIN: Final = 0.0035
"""Ultimate strain of concrete up to C50/60 (EN 1992-1-1, table 3.1)."""

YIELD_RATIO: Final = 0.9
"""0.1 % proof stress over strength of a tendon (EN 1992-1-1, 3.3.6(7))."""


@dataclass(frozen=True, slots=True)
class TendonLayer:
    """Area [m2], depth [m], modulus, effective stress and ultimate stress [Pa] of one layer."""

    area: float
    depth: float
    modulus: float
    stress: float
    ultimate: float


@dataclass(frozen=True, slots=True)
class SectionProperties:
    """Area [m2], centroid from the top [m], second moment about it [m4]."""

    area: float
    centroid: float
    inertia: float


def gross(width: float, height: float) -> SectionProperties:
    """Return the properties of the concrete rectangle alone."""
    return SectionProperties(width * height, height / 2, width * height**3 / 12)


def transformed(
    width: float, height: float, modulus: float, tendons: Sequence[TendonLayer]
) -> SectionProperties:
    """Return the properties with each tendon as (n - 1) times its area of concrete."""
    extra = [((t.modulus / modulus - 1) * t.area, t.depth) for t in tendons]
    area = width * height + sum(a for a, _ in extra)
    centroid = (width * height**2 / 2 + sum(a * y for a, y in extra)) / area
    inertia = width * height**3 / 12 + width * height * (height / 2 - centroid) ** 2
    inertia += sum(a * (y - centroid) ** 2 for a, y in extra)
    return SectionProperties(area, centroid, inertia)


def decompression_moment(
    section: SectionProperties, height: float, tendons: Sequence[TendonLayer]
) -> float:
    """Return the moment at which the bottom fibre has no stress: sum of P (e + S_b / A)."""
    modulus = section.inertia / (height - section.centroid)
    return sum(
        t.area * t.stress * (t.depth - section.centroid + modulus / section.area) for t in tendons
    )


def cracking_moment(
    section: SectionProperties, height: float, tensile: float, tendons: Sequence[TendonLayer]
) -> float:
    """Return the moment at which the bottom fibre reaches the tensile strength."""
    modulus = section.inertia / (height - section.centroid)
    return decompression_moment(section, height, tendons) + tensile * modulus


def cracked(
    width: float, height: float, modulus: float, tendons: Sequence[TendonLayer]
) -> SectionProperties:
    """Return the elastic no-tension section, axial force neglected.

    Its stiffness is the tangent far above decompression.
    """

    def first_moment(c: float) -> float:
        return width * c**2 / 2 - sum(
            t.modulus / modulus * t.area * (t.depth - c) for t in tendons if t.depth > c
        )

    low, high = 0.0, height
    for _ in range(80):
        c = (low + high) / 2
        low, high = (c, high) if first_moment(c) < 0 else (low, c)
    steel = [(t.modulus / modulus * t.area, t.depth) for t in tendons if t.depth > c]
    inertia = width * c**3 / 3 + sum(a * (y - c) ** 2 for a, y in steel)
    return SectionProperties(width * c + sum(a for a, _ in steel), c, inertia)


def stress_block(strength: float) -> tuple[float, float]:
    """Return depth factor and stress factor of the rectangular block (EN 1992-1-1, 3.1.7(3))."""
    excess = max(0.0, strength / 1e6 - 50)
    return 0.8 - excess / 400, 1.0 - excess / 200


def ultimate_moment(
    width: float, height: float, strength: float, tendons: Sequence[TendonLayer]
) -> tuple[float, float]:
    """Return the ultimate moment [N m] and the depth of the neutral axis [m].

    Rectangular stress block, plane sections, bonded tendons linear up to 0.9 times
    their ultimate stress and flat beyond.
    """
    depth_factor, stress_factor = stress_block(strength)

    def stress(t: TendonLayer, c: float) -> float:
        trial = t.stress + t.modulus * CRUSHING_STRAIN * (t.depth - c) / c
        return max(-YIELD_RATIO * t.ultimate, min(trial, YIELD_RATIO * t.ultimate))

    def balance(c: float) -> float:
        pull = sum(t.area * stress(t, c) for t in tendons)
        return stress_factor * strength * width * min(depth_factor * c, height) - pull

    low, high = 1e-6 * height, height
    for _ in range(80):
        c = (low + high) / 2
        low, high = (c, high) if balance(c) < 0 else (low, c)
    block = min(depth_factor * c, height)
    compression = stress_factor * strength * width * block
    lever = sum(t.area * stress(t, c) * t.depth for t in tendons)
    return lever - compression * block / 2, c
