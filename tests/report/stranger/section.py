"""Stresses of a prestressed section at mid-span between two loads, worked out on its own.

Plane sections; concrete carries no tension; no axial force from outside; self weight with
9.80665 m/s2; the moment is load / 2 times the shear span, and w L2 / 8. Laws: concrete of the
rectangular block is linear up to 0.85 f, then flat; the parabola-rectangle has the exponent 2 of
EN 1992-1-1, 3.1.7; a table goes straight from point to point. Tendons by the power formula of
R. K. Devalapura and M. K. Tadros, PCI Journal, March-April 1992 (constants from memory), its
strain scaled so that it begins with the tendon's own modulus; or bilinear. Bars yield flat.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from protocol_read import Asked
from quantities import AREA, DENSITY, LENGTH, STRESS, written

GRAVITY = 9.80665
STRANDS = {
    "strand-270": (270.0, 887.0, 27613.0, 112.4, 7.360),
    "strand-250": (250.0, 384.0, 27616.0, 119.7, 6.430),
    "wire-250": (250.0, 435.0, 28565.0, 125.1, 6.351),
    "wire-235": (235.0, 403.0, 28597.0, 133.1, 5.463),
}
"""Grade, A and B [ksi], C and D [1]."""
POINTS, WEIGHTS = np.polynomial.legendre.leggauss(4)

Law = Callable[[float], float]


@dataclass
class Steel:
    """A layer: area [m2], depth [m], stress by strain, and its strain where concrete has none."""

    area: float
    depth: float
    law: Law
    before: float = 0.0


def power(modulus: float, law: dict[str, Any]) -> Law:
    """Return the power formula of a tendon."""
    if "preset" in law:
        grade, a, b, c, d = STRANDS[law["preset"]]
        most, a, b = (written(f"{number!r} ksi", STRESS) for number in (grade, a, b))
    else:
        a, b = (written(text, STRESS) for text in law["constants"][:2])
        c, d = law["constants"][2:]
        most = written(law["ultimate"], STRESS)

    def stress(strain: float) -> float:
        e = abs(strain) * modulus / (a + b)
        found = a * e + b * e / (1.0 + (c * e) ** d) ** (1.0 / d)
        return math.copysign(min(found, most), strain)

    return stress


def bilinear(modulus: float, yields: float, most: float, strain_at_most: float) -> Law:
    """Return a law of two lines."""
    knee = yields / modulus
    slope = (most - yields) / (strain_at_most - knee) if math.isfinite(strain_at_most) else 0.0

    def stress(strain: float) -> float:
        size = abs(strain)
        found = modulus * size if size <= knee else min(yields + slope * (size - knee), most)
        return math.copysign(found, strain)

    return stress


def always(stress: float) -> Law:
    """Return the law of a force that no strain changes."""
    return lambda _: stress


class Section:
    """The section of a specimen file."""

    def __init__(self, asked: Asked) -> None:
        self.asked = asked
        self.slices = asked.outline()
        self.height = self.slices[-1][1]
        concrete = asked.specimen["concrete"]
        self.strength = written(concrete["strength"], STRESS)
        self.modulus = written(concrete["modulus"], STRESS)
        self.concrete, self.kinks = self._concrete(concrete)
        self.steel = [self._tendon(t) for t in asked.specimen.get("tendon", [])]
        self.tendons = len(self.steel)
        self.steel += [self._bar(b) for b in asked.specimen.get("bar", [])]
        self._find_prestrains()
        area = sum((z - y) * (b + c) / 2 for y, z, b, c in self.slices)
        weight = written(concrete["density"], DENSITY) * area * GRAVITY
        self.own = weight * asked.size("span") ** 2 / 8

    def _concrete(self, table: dict[str, Any]) -> tuple[Callable, list[float]]:
        f, peak = self.strength, float(table.get("peak_strain", 0.002))
        law = table.get("law", "parabola-rectangle")
        if law == "rectangular block":
            modulus = written(table["modulus"], STRESS)
            return lambda e: np.clip(modulus * e, 0.0, 0.85 * f), [0.0, 0.85 * f / modulus]
        if law == "parabola-rectangle":
            return lambda e: f * (1 - (1 - np.clip(e / peak, 0.0, 1.0)) ** 2), [0.0, peak]
        points = [(float(e), written(s, STRESS)) for e, s in law["points"]]
        if points[0][0] > 0:
            points.insert(0, (0.0, 0.0))
        at, stress = zip(*points, strict=True)
        return lambda e: np.where(e > 0, np.interp(e, at, stress), 0.0), list(at)

    def _tendon(self, table: dict[str, Any]) -> Steel:
        if table["bond"] != "pre-tensioned":
            raise NotImplementedError("a tendon without bond: mid-span alone does not tell it")
        modulus, law = written(table["modulus"], STRESS), table["law"]
        if law["kind"] == "power":
            made = power(modulus, law)
        else:
            ends = (written(law[name], STRESS) for name in ("yield", "ultimate"))
            made = bilinear(modulus, *ends, float(law["ultimate_strain"]))
        stress = written(table["stress"], STRESS)
        area, depth = written(table["area"], AREA), written(table["depth"], LENGTH)
        return Steel(area, depth, made, bisected(lambda e: made(e) - stress, 0.0, 0.03))

    def _bar(self, table: dict[str, Any]) -> Steel:
        yields = written(table["yield"], STRESS)
        law = bilinear(written(table["modulus"], STRESS), yields, yields, math.inf)
        return Steel(written(table["area"], AREA), written(table["depth"], LENGTH), law)

    def _find_prestrains(self) -> None:
        """Add what concrete is shortened by to tendons whose stress is that under no moment."""
        tables = self.asked.specimen.get("tendon", [])
        known = [i for i, t in enumerate(tables) if t["stress_at"] == "no moment"]
        if not known:
            return
        fixed = [self.steel[i] for i in known]
        held = [Steel(s.area, s.depth, always(s.law(s.before))) for s in fixed]
        rest = [s for s in self.steel if not any(s is one for one in fixed)]
        top, bend = self._strains(0.0, [*held, *rest])
        for layer in fixed:
            layer.before += top - bend * layer.depth

    def _sums(self, top: float, bend: float, steel: list[Steel]) -> np.ndarray:
        """Return force, compression positive, and sagging moment about the top."""
        force = moment = 0.0
        depths = [(top - kink) / bend for kink in self.kinks] if bend else []
        for begin, end, wide, below in self.slices:
            cuts = sorted({begin, end, *(y for y in depths if begin < y < end)})
            for y, z in pairwise(cuts):
                at = (y + z) / 2 + (z - y) / 2 * POINTS
                width = wide + (below - wide) * (at - begin) / (end - begin)
                push = (z - y) / 2 * WEIGHTS * width * self.concrete(top - bend * at)
                force, moment = force + push.sum(), moment - (push * at).sum()
        for layer in steel:
            pull = layer.area * layer.law(layer.before - top + bend * layer.depth)
            force, moment = force - pull, moment + pull * layer.depth
        return np.array([force, moment])

    def _strains(self, moment: float, steel: list[Steel]) -> tuple[float, float]:
        """Return strain at the top and curvature under a moment [N m], by Newton's method."""
        wanted = np.array([0.0, moment])
        found, scale = np.array([1e-4, 1e-5]), np.array([1e-7, 1e-7 / self.height])
        left = self._sums(*found, steel) - wanted
        for _ in range(100):
            columns = [
                (self._sums(*(found + step), steel) - self._sums(*(found - step), steel)) / 2
                for step in np.diag(scale)
            ]
            move = np.linalg.solve(np.column_stack(columns) / scale, -left)
            share = 1.0
            while share > 1e-6:
                there = self._sums(*(found + share * move), steel) - wanted
                if np.hypot(*there) < np.hypot(*left):
                    break
                share /= 2
            else:
                break
            found, left = found + share * move, there
        if np.hypot(*left) > 1e-6 * max(abs(moment), 1.0):
            raise ArithmeticError("no equilibrium was found")
        return float(found[0]), float(found[1])

    def under(self, load: float) -> tuple[float, list[float]]:
        """Return stress of the concrete at the top and of each tendon [Pa] under a load [N]."""
        moment = load / 2 * self.asked.shear_span + self.own
        top, bend = self._strains(moment, self.steel)
        tendons = [s.law(s.before - top + bend * s.depth) for s in self.steel[: self.tendons]]
        return float(self.concrete(np.array(top))), tendons

    def effective_prestress(self, load: float) -> tuple[float, float]:
        """Return the share of the file's prestress that is left, and the mean stress [Pa].

        By the elastic uncracked section: cracks re-open at a load [N] where the bottom fibre has
        no stress. Concrete and (n - 1) times the area of bonded steel; all tendons have lost one
        share of what they have where the concrete beside them has no strain.
        """
        tables, modulus = self.asked.specimen.get("tendon", []), self.modulus
        bars = self.asked.specimen.get("bar", [])
        layers = [
            (
                written(t["modulus"], STRESS) / modulus,
                written(t["area"], AREA),
                written(t["depth"], LENGTH),
            )
            for t in (*tables, *bars)
        ]
        given = [written(t["stress"], STRESS) for t in tables]
        # A stress under no moment is a force on what is left beside the tendon's own hole.
        least = [
            ((0.0 if i < len(tables) and tables[i]["stress_at"] == "no moment" else n) - 1.0)
            for i, (n, _, _) in enumerate(layers)
        ]
        beside = self._elastic([(k * a, y) for k, (_, a, y) in zip(least, layers, strict=True)])
        pulls = [(s * a, y) for s, (_, a, y) in zip(given, layers, strict=False)]
        at_none = []
        for table, stress, (n, _, depth) in zip(tables, given, layers, strict=False):
            push = sum(
                p * (1 / beside[0] + (y - beside[1]) * (depth - beside[1]) / beside[2])
                for p, y in pulls
            )
            at_none.append(stress + n * push * (table["stress_at"] == "no moment"))
        area, middle, inertia = self._elastic([((n - 1.0) * a, y) for n, a, y in layers])
        core = inertia / (self.height - middle) / area
        forces = [(s * a, y) for s, (_, a, y) in zip(at_none, layers, strict=False)]
        moment = sum(force * (y - middle + core) for force, y in forces)
        share = (load / 2 * self.asked.shear_span + self.own) / moment
        return share, share * sum(f for f, _ in forces) / sum(
            a for _, a, _ in layers[: len(tables)]
        )

    def _elastic(self, more: list[tuple[float, float]]) -> tuple[float, float, float]:
        """Return area, depth of the centroid and second moment of concrete and `more` areas."""
        parts = list(more)
        own = 0.0
        for y, z, b, c in self.slices:
            deep = z - y
            for area, at in ((b * deep / 2, y + deep / 3), (c * deep / 2, y + 2 * deep / 3)):
                parts.append((area, at))
                own += area * deep**2 / 18  # of a triangle about its own centroid
        area = sum(a for a, _ in parts)
        middle = sum(a * y for a, y in parts) / area
        return area, middle, own + sum(a * (y - middle) ** 2 for a, y in parts)


def bisected(rising: Law, low: float, high: float) -> float:
    """Return where a function that rises is zero."""
    for _ in range(200):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)
    return middle
