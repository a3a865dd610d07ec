"""Tendons without bond, their sections by structuralcodes and their elongation by plain sums.

structuralcodes 0.7.2 knows tendons of constant stress but no elongation. Here it is given the
stress that `rig.mechanics.smeared` found; the strain of the concrete beside the tendons, summed
up over the debonded length at stations of our own, must make just that stress.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice, pairwise
from typing import Any, Final

import numpy as np
from structuralcodes.materials.basic import GenericMaterial
from structuralcodes.materials.constitutive_laws import Elastic

from rig.mechanics.shapes import load_at, moment_under
from rig.mechanics.smeared import debonded, debonded_ultimate
from rig.mechanics.specimen import Specimen
from tests.mechanics.drawn_sections import drawn
from tests.mechanics.oracle_sections import (
    Plane,
    bar_law,
    built,
    exact_law,
    fits,
    plane,
    steel_points,
    strain_of,
)

SEED: Final = 22
BEAMS: Final = 3
LENGTHS: Final = (0.25, 0.6, 1.0)
"""Debonded lengths over the span: inside the loads, beyond them, all of it."""
LOADS: Final = (0.5, 0.85)
"""Loads over that which the beam bears at most with the length debonded."""
SHARES: Final = np.polynomial.legendre.leggauss(8)
PARTS: Final = 4


def held(specimen: Specimen, stresses: list[float]) -> Any:
    """Return a section of structuralcodes whose tendons have constant stresses [Pa]."""
    steel = []
    for t, stress in zip(specimen.tendons, stresses, strict=True):
        law = Elastic(t.modulus / 1e6)
        material = GenericMaterial(
            1.0, law, initial_stress=stress / 1e6, strain_compatibility=False
        )
        steel.append((t.area, t.depth, material))
    steel += [(b.area, b.depth, GenericMaterial(1.0, bar_law(b))) for b in specimen.bars]
    return built(specimen, exact_law(specimen.concrete), steel)


def stations(specimen: Specimen, length: float) -> Iterator[tuple[float, float]]:
    """Give places [m] from a support over half a debonded length, and shares of that half."""
    s = specimen.section
    begin, load, middle = (s.span - length) / 2, (s.span - s.load_spacing) / 2, s.span / 2
    bounds = [begin, *np.linspace(begin, load, PARTS + 1)[1:], middle]
    if begin >= load:
        bounds = [begin, middle]
    for low, high in pairwise(bounds):
        for at, weight in zip(*SHARES, strict=True):
            yield (low + high + at * (high - low)) / 2, weight * (high - low) / (middle - begin) / 2


def moment(specimen: Specimen, load: float, x: float) -> float:
    """Return the moment [N m] at a place, self weight included."""
    s = specimen.section
    a = (s.span - s.load_spacing) / 2
    middle = float(moment_under(specimen, 0.0))
    return load / 2 * min(x, a) + middle * 4 * x * (s.span - x) / s.span**2


def stretched(specimen: Specimen, load: float, length: float, stresses: list[float]) -> list[float]:
    """Return the stresses [Pa] that the mean strain of the concrete makes of the tendons."""
    section, height = held(specimen, stresses), specimen.section.height
    states: list[tuple[Plane, float]] = [
        (plane(section, moment(specimen, load, x)), share)
        for x, share in stations(specimen, length)
    ]
    found = []
    for t in specimen.tendons:
        beside = sum(share * state.at(height - t.depth) for state, share in states)
        found.append(1e6 * float(np.interp(strain_of(t) + beside, *steel_points(t))))
    return found


def beams() -> Iterator[Specimen]:
    """Give drawn beams with a parabola-rectangle: stress that does not fall, before the end too."""
    for specimen in drawn(SEED, (0.05, 0.20)):
        if specimen.concrete.law == "parabola-rectangle" and fits(specimen):
            yield specimen


def compared() -> Iterator[tuple[str, float, float]]:
    """Give what was compared, our value and that of structuralcodes with sums over it."""
    for specimen in islice(beams(), BEAMS):
        for share in LENGTHS:
            length = share * specimen.section.span
            end = debonded_ultimate(specimen, length)
            section = held(specimen, [float(s) for s in end.tendon_stress])
            theirs = -float(section.calculate_bending_strength().m_y) / 1e3
            yield "ultimate moment", float(end.moment), theirs
            most = float(load_at(specimen, end.moment))
            for load in (part * most for part in LOADS):
                ours = [float(s) for s in debonded(specimen, load, length).tendon_stress]
                made = stretched(specimen, load, length, ours)
                yield from (("tendon stress", *pair) for pair in zip(ours, made, strict=True))
