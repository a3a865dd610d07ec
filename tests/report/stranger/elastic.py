"""The uncracked section, linear elastic: its decompression moment, and what prestress is left.

Bonded steel counts with (n - 1) times its area, a tendon without bond as a force.
"""

from __future__ import annotations

from laws import Steel

Slices = list[tuple[float, float, float, float]]


def properties(slices: Slices, more: list[tuple[float, float]]) -> tuple[float, float, float]:
    """Return area, depth of the centroid and second moment of concrete and `more` areas."""
    parts, own = list(more), 0.0
    for y, z, b, c in slices:
        deep = z - y
        for area, at in ((b * deep / 2, y + deep / 3), (c * deep / 2, y + 2 * deep / 3)):
            parts.append((area, at))
            own += area * deep**2 / 18  # of a triangle about its own centroid
    area = sum(a for a, _ in parts)
    middle = sum(a * y for a, y in parts) / area
    return area, middle, own + sum(a * (y - middle) ** 2 for a, y in parts)


def prestress(
    slices: Slices, tendons: list[Steel], bars: list[Steel], modulus: float
) -> list[float]:
    """Return the stress of each tendon [Pa]: of one with bond where the concrete has no strain.

    Of one without bond under no moment. What a stress under no moment is told of is a force on
    what is left beside it: a hole, where it has bond.
    """
    more = [((b.modulus / modulus - 1) * b.area, b.depth) for b in bars]
    for t in tendons:
        stiff = 0.0 if t.at_rest else t.modulus / modulus
        more.append(((stiff - t.bonded) * t.area, t.depth))
    area, middle, inertia = properties(slices, more)
    found = []
    for t in tendons:
        beside = sum(
            o.area * o.given * (1 / area + (o.depth - middle) * (t.depth - middle) / inertia)
            for o in tendons
        )
        sign = t.at_rest - (not t.bonded)
        found.append(t.given + sign * t.modulus / modulus * beside)
    return found


def decompression(
    slices: Slices, tendons: list[Steel], bars: list[Steel], modulus: float
) -> tuple[float, float]:
    """Return the moment [N m] at which the bottom has no stress, and the mean prestress [Pa]."""
    stresses = prestress(slices, tendons, bars, modulus)
    bonded = [*(t for t in tendons if t.bonded), *bars]
    more = [((s.modulus / modulus - 1) * s.area, s.depth) for s in bonded]
    area, middle, inertia = properties(slices, more)
    core = inertia / (slices[-1][1] - middle) / area
    forces = [(s * t.area, t.depth) for s, t in zip(stresses, tendons, strict=True)]
    mean = sum(f for f, _ in forces) / sum(t.area for t in tendons)
    return sum(force * (y - middle + core) for force, y in forces), mean
