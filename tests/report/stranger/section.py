"""Stresses of a prestressed section at mid-span under a load, worked out on their own.

Plane sections; concrete carries no tension; no axial force from outside; self weight with
9.80665 m/s2; the moment is load / 2 times the shear span, and w L2 / 8. A tendon without bond gains
evenly, from the decompression moment to the ultimate one, what ACI 318M-19, table 20.3.2.4.1, gives
it there (from public notes).
"""

from __future__ import annotations

from functools import cached_property
from itertools import pairwise

import numpy as np
from elastic import decompression, prestress
from laws import Concrete, Steel, bar, bisected, concretes, tendon
from protocol_read import Asked
from quantities import DENSITY, STRESS, written

GRAVITY = 9.80665
POINTS, WEIGHTS = np.polynomial.legendre.leggauss(4)


class Section:
    """The section of a specimen file."""

    def __init__(self, asked: Asked) -> None:
        self.asked = asked
        self.slices = asked.outline()
        self.height = self.slices[-1][1]
        concrete = asked.specimen["concrete"]
        self.strength = written(concrete["strength"], STRESS)
        self.modulus = written(concrete["modulus"], STRESS)
        self.concrete, self.block, self.crushing = concretes(concrete)
        self.tendons = [tendon(table) for table in asked.specimen.get("tendon", [])]
        self.bars = [bar(table) for table in asked.specimen.get("bar", [])]
        self._find_prestrains()
        area = sum((z - y) * (b + c) / 2 for y, z, b, c in self.slices)
        weight = written(concrete["density"], DENSITY) * area * GRAVITY
        self.own = weight * asked.size("span") ** 2 / 8

    def _find_prestrains(self) -> None:
        """Add what concrete is shortened by to tendons whose stress is that under no moment."""
        held = [t.holding(t.given) if t.at_rest else t for t in self.tendons]
        if any(t.at_rest for t in self.tendons):
            top, bend = self._strains(0.0, [*held, *self.bars])
            for layer in self.tendons:
                layer.before += (top - bend * layer.depth) * layer.at_rest

    def _sums(
        self, top: float, bend: float, steel: list[Steel], concrete: Concrete | None = None
    ) -> np.ndarray:
        """Return force, compression positive, and sagging moment about the top."""
        law = concrete or self.concrete
        force = moment = 0.0
        depths = [(top - kink) / bend for kink in law.kinks] if bend else []
        for begin, end, wide, below in self.slices:
            cuts = sorted({begin, end, *(y for y in depths if begin < y < end)})
            for y, z in pairwise(cuts):
                at = (y + z) / 2 + (z - y) / 2 * POINTS
                width = wide + (below - wide) * (at - begin) / (end - begin)
                push = (z - y) / 2 * WEIGHTS * width * law.law(top - bend * at)
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
        held = self._held(moment)
        top, bend = self._strains(moment, [*held, *self.bars])
        stresses = [s.law(s.before - top + bend * s.depth) for s in held]
        return float(self.concrete.law(np.array(top))), stresses

    def _held(self, moment: float) -> list[Steel]:
        """Return the tendons, those without bond as the forces that they are under a moment."""
        if all(t.bonded for t in self.tendons):
            return self.tendons
        least, most = self._decompression[0], self._ultimate
        share = min(max((moment - least) / (most - least), 0.0), 1.0)
        ends = zip(self.tendons, self._first, self._last, strict=True)
        return [t if t.bonded else t.holding(a + share * (b - a)) for t, a, b in ends]

    @cached_property
    def _decompression(self) -> tuple[float, float]:
        return decompression(self.slices, self.tendons, self.bars, self.modulus)

    @cached_property
    def _first(self) -> list[float]:
        return prestress(self.slices, self.tendons, self.bars, self.modulus)

    @cached_property
    def _last(self) -> list[float]:
        """Stress [Pa] of each tendon without bond at the ultimate moment, by the code."""
        free = [t for t in self.tendons if not t.bonded]
        area = sum(t.area for t in free)
        ratio = area**2 / (self.slices[0][2] * sum(t.area * t.depth for t in free))
        slender = self.asked.size("span") / self.height > 35
        gain = 70e6 + self.strength / ((300 if slender else 100) * ratio)
        gain = min(gain, 210e6 if slender else 420e6)
        return [min(a + gain, t.fpy) for a, t in zip(self._first, self.tendons, strict=True)]

    @cached_property
    def _ultimate(self) -> float:
        """The moment [N m] at which the concrete crushes."""
        ends = zip(self.tendons, self._last, strict=True)
        steel = [*(t if t.bonded else t.holding(s) for t, s in ends), *self.bars]
        top = self.crushing
        bend = -bisected(
            lambda bend: self._sums(top, -bend, steel, self.block)[0],
            -top / (1e-6 * self.height),
            0.0,
        )
        return float(self._sums(top, bend, steel, self.block)[1])

    def effective_prestress(self, load: float) -> tuple[float, float]:
        """Return the share of the file's prestress that is left, and the mean stress [Pa].

        Cracks re-open at a load [N] where the bottom fibre has no stress; all tendons have lost
        one share of what they have where the concrete beside them has no strain.
        """
        moment, mean = self._decompression
        share = (load / 2 * self.asked.shear_span + self.own) / moment
        return share, share * mean
