"""Plane sections in equilibrium: which strains a moment makes, and which moment strains make.

Strain at depth y is `top` - `curvature` y, compression positive [1, 1/m]; moments sag positive
[N m], self weight included. Concrete carries no tension and has no holes where steel is. There is
no axial force from outside: prestress is what the steel does.

The concrete is cut where its law and its outline have kinks; between them the integrands are
polynomials of the fourth power at most, which three Gauss points integrate exactly. Stresses
never fall with strain, so equilibrium is the least of a convex potential: Newton's method, with
steps halved where they climb, finds it from anywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from rig.mechanics.either import chosen, larger, magnitude, smaller
from rig.mechanics.laws import (
    Stretch,
    bar_law,
    rupture_strain,
    steel_strain,
    steel_stress,
    steel_tangent,
    stretches,
)
from rig.mechanics.shapes import Piece, pieces
from rig.mechanics.specimen import Bar, Concrete, Section, Specimen, SteelLaw, Tendon

if TYPE_CHECKING:
    from rig.mechanics.either import Either

    Held = Sequence[Either | None] | None
    """Stress [Pa] of each tendon that is not bonded, None for one that is."""

_GAUSS: Final = ((-math.sqrt(0.6), 5 / 9), (0.0, 8 / 9), (math.sqrt(0.6), 5 / 9))
_LONGEST: Final = 0.005  # strain by which one step may go
_STEPS: Final = 80
_CLOSE: Final = 1e-13  # strain: a fiftieth of a pascal of steel
_ENOUGH: Final = 1e-9  # strain: what has come no nearer has no equilibrium
_BEYOND: Final = 1e-6  # share of an ultimate strain: the ultimate state itself still counts


class Strains(NamedTuple):
    """Strain of the top fibre [1], compression positive, and curvature [1/m], sagging positive."""

    top: Either
    curvature: Either

    def at(self, depth: float) -> Either:
        """Return the strain at a depth [m], compression positive."""
        return self.top - self.curvature * depth


class Layer(NamedTuple):
    """One layer of steel; its strain in tension is `prestrain` minus that of the concrete."""

    area: float
    depth: float
    modulus: float
    law: SteelLaw
    prestrain: float
    rupture: float = math.inf


@dataclass(frozen=True, slots=True)
class Makeup:
    """What a section is made of: slices, law of the concrete, layers (tendons first), limits."""

    height: float
    slices: tuple[Piece, ...]
    law: tuple[Stretch, ...]
    layers: tuple[Layer, ...]
    crushing: float


class Sums(NamedTuple):
    """Force [N] and moment [N m] of strains, and stiffnesses: over 1, y, y2."""

    force: Either
    moment: Either
    k0: Either
    k1: Either
    k2: Either


def makeup(specimen: Specimen) -> Makeup:
    """Return what a specimen's section is made of, by its nonlinear laws."""
    return _makeup(specimen.section, specimen.concrete, specimen.tendons, specimen.bars)


def prestrains(specimen: Specimen) -> tuple[float, ...]:
    """Return each tendon's strain less that of the concrete beside it, both in tension [1].

    It stays the same whatever the bonded section bears. Where the stress is given at no moment,
    the concrete's strain comes from equilibrium under it. nan where none exists.
    """
    return tuple(layer.prestrain for layer in makeup(specimen).layers[: len(specimen.tendons)])


@lru_cache(maxsize=64)
def _makeup(
    section: Section, concrete: Concrete, tendons: tuple[Tendon, ...], bars: tuple[Bar, ...]
) -> Makeup:
    steel = [
        Layer(
            t.area,
            t.depth,
            t.modulus,
            t.law,
            steel_strain(t.law, t.modulus, t.stress),
            rupture_strain(t),
        )
        for t in tendons
    ]
    steel += [Layer(b.area, b.depth, b.modulus, bar_law(b), 0.0) for b in bars]
    whole = Makeup(
        section.height,
        pieces(section),
        stretches(concrete),
        tuple(steel),
        concrete.ultimate_strain,
    )
    held = [t.stress if t.stress_at == "no moment" else None for t in tendons]
    if all(stress is None for stress in held):
        return whole
    rest = balanced(whole, 0.0, held)
    for i, stress in enumerate(held):
        if stress is not None:
            shortening = float(rest.at(steel[i].depth))
            steel[i] = steel[i]._replace(prestrain=steel[i].prestrain + shortening)
    return replace(whole, layers=tuple(steel))


def solve(specimen: Specimen, moment: Either, held: Held = None) -> Strains:
    """Return the strains under a moment [N m]; arrays of moments and held stresses broadcast.

    `held[i]` is the stress [Pa] of a tendon i that has no bond, None for a bonded one. nan where
    nothing balances, where concrete passes its ultimate strain or a bonded tendon breaks.
    """
    return balanced(makeup(specimen), moment, held)


def moment_of(specimen: Specimen, strains: Strains, held: Held = None) -> Either:
    """Return the moment [N m] of strains, about the top where axial forces do not balance."""
    return sums(makeup(specimen), strains.top, strains.curvature, held).moment


def axial_of(specimen: Specimen, strains: Strains, held: Held = None) -> Either:
    """Return the axial force [N] of strains, compression positive: 0 in equilibrium."""
    return sums(makeup(specimen), strains.top, strains.curvature, held).force


def sums(made: Makeup, top: Either, curvature: Either, held: Held = None) -> Sums:
    """Return force, moment and stiffnesses of strains, concrete and steel together."""
    force, moment, k0, k1, k2 = _concrete(made, top, curvature)
    for i, layer in enumerate(made.layers):
        strain = layer.prestrain - top + curvature * layer.depth
        stress, stiff = _steel(layer, strain, held[i] if held and i < len(held) else None)
        pull, stiff = layer.area * stress, layer.area * stiff
        force, moment = force - pull, moment + pull * layer.depth
        k0, k1, k2 = k0 + stiff, k1 + stiff * layer.depth, k2 + stiff * layer.depth**2
    return Sums(force, moment, k0, k1, k2)


def _steel(layer: Layer, strain: Either, held: Either | None) -> tuple[Either, Either]:
    if held is not None:
        return held, 0.0
    stress = steel_stress(layer.law, layer.modulus, strain)
    return stress, steel_tangent(layer.law, layer.modulus, strain)


def _concrete(made: Makeup, top: Either, curvature: Either) -> Sums:
    """Return force, moment about the top and stiffnesses of the concrete."""
    # With no curvature the kinks lie infinitely far away, on the side they are approached from.
    bend = chosen(magnitude(curvature) < 1e-15, 1e-15, curvature)
    force: Either = 0.0
    moment, k0, k1, k2 = force, force, force, force
    for part in made.law:
        one, other = (top - part.low) / bend, (top - part.high) / bend
        upper, lower = smaller(one, other), larger(one, other)
        for piece in made.slices:
            begin = larger(upper, piece.top)
            half = larger(smaller(lower, piece.bottom) - begin, 0.0) / 2
            slope = (piece.width_bottom - piece.width_top) / (piece.bottom - piece.top)
            for at, weight in _GAUSS:
                y = begin + half * (1 + at)
                strain = top - bend * y
                area = weight * half * (piece.width_top + slope * (y - piece.top))
                push = area * (part.c0 + strain * (part.c1 + strain * part.c2))
                stiff = area * (part.c1 + 2 * part.c2 * strain)
                force, moment = force + push, moment - push * y
                k0, k1, k2 = k0 + stiff, k1 + stiff * y, k2 + stiff * y * y
    return Sums(force, moment, k0, k1, k2)


def balanced(made: Makeup, moment: Either, held: Held = None) -> Strains:
    """Return the strains at which no axial force is left and the moment [N m] is borne."""
    if isinstance(moment, int | float):
        moment = float(moment)
    top, curvature = 0.0 * moment, 0.0 * moment
    now = sums(made, top, curvature, held)
    along_top, along_bend = _step(made, now, moment)
    slope = _climb(now, moment, along_top, along_bend)
    share: Either = 1.0
    for _ in range(_STEPS):
        there, bent = top + share * along_top, curvature + share * along_bend
        now = sums(made, there, bent, held)
        climbed = _climb(now, moment, along_top, along_bend) > 0.5 * magnitude(slope)
        next_top, next_bend = _step(made, now, moment)
        top, curvature = chosen(climbed, top, there), chosen(climbed, curvature, bent)
        along_top = chosen(climbed, along_top, next_top)
        along_bend = chosen(climbed, along_bend, next_bend)
        slope = chosen(climbed, slope, _climb(now, moment, next_top, next_bend))
        share = chosen(climbed, share / 2, 1.0)
        left = magnitude(along_top) + magnitude(along_bend) * made.height
        if not _any(left > _CLOSE):
            break
    return _sound(made, Strains(top, curvature), left < _ENOUGH, held)


def _step(made: Makeup, now: Sums, moment: Either) -> tuple[Either, Either]:
    """Return Newton's step of top strain and curvature, no longer than one may go."""
    least = 1e-9 * (made.law[0].c1 + 1e9) * made.height  # where all that is there yields
    k0 = larger(now.k0, least * made.height)
    centre = now.k1 / k0
    inertia = larger(now.k2 - now.k1 * centre, least * made.height**3)
    bend = (moment - now.moment - centre * now.force) / inertia
    top = centre * bend - now.force / k0
    long = larger(magnitude(top), magnitude(top - bend * made.height)) / _LONGEST
    short = 1 / larger(long, 1.0)
    return top * short, bend * short


def _climb(now: Sums, moment: Either, top: Either, bend: Either) -> Either:
    """Return by how much the potential rises along a step."""
    return now.force * top + (now.moment - moment) * bend


def _sound(made: Makeup, found: Strains, settled: Any, held: Held) -> Strains:
    """Return what was found, nan where it is no equilibrium or something has broken."""
    most = made.crushing * (1 + _BEYOND)
    whole = settled & (larger(found.top, found.at(made.height)) <= most)
    for i, layer in enumerate(made.layers):
        if not (held and i < len(held) and held[i] is not None):
            strain = layer.prestrain - found.at(layer.depth)
            whole = whole & (strain <= layer.rupture * (1 + _BEYOND))
    return Strains(chosen(whole, found.top, math.nan), chosen(whole, found.curvature, math.nan))


def _any(condition: Any) -> bool:
    return condition if isinstance(condition, bool) else bool(condition.any())
