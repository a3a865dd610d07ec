"""How fast specimen and moving parts would swing by themselves: first natural frequencies.

A rig that cycles near this frequency does not load the specimen with what it commands. Lengths
[m], masses [kg], stiffness [N/m] of total actuator load over the deflection of a load point;
`a` is the shear span.

Sources
-------
[1] R. W. Clough, J. Penzien, Dynamics of Structures: single mass on a spring, uniform beam on
    two supports, and the generalised mass of an assumed shape (Rayleigh); from memory. The values
    that the tests hold this module to were derived apart from it.
"""

from __future__ import annotations

import math

from rig.mechanics.bending import load_point_flexibility, shear_flexibility
from rig.mechanics.rigidity import cracked_rigidity, uncracked_rigidity
from rig.mechanics.shapes import gross, shear_span
from rig.mechanics.specimen import Specimen


def spring_frequency(stiffness: float, mass: float) -> float:
    """Return the natural frequency [Hz] of a mass on a spring: sqrt(k / m) / (2 pi) [1].

    Infinite without mass.
    """
    return math.sqrt(stiffness / mass) / (2 * math.pi) if mass > 0 else math.inf


def beam_frequency(stiffness: float, mass: float, span: float) -> float:
    """Return the first frequency [Hz] of a uniform beam on two supports: pi / (2 L2) sqrt(EI / mu).

    `stiffness` EI [N m2], `mass` mu [kg/m] [1].
    """
    return math.pi / (2 * span**2) * math.sqrt(stiffness / mass)


def generalised_mass(span: float, a: float, *, midspan: bool = False) -> float:
    """Return the beam's mass that swings with a load point, as a share of that of its span.

    The beam is uniform and swings in the shape that two equal loads give it: the share is the
    mean of the square of that shape over its value at the load points, or at `midspan` [1].
    """
    # The deflections times 6 EI / P: b x - x3 up to the load point, a (3 x (L - x) - a2) after it.
    b = 3 * a * (span - a)
    outside = b**2 * a**3 / 3 - 2 * b * a**5 / 5 + a**7 / 7
    between = a**2 * (_inside(span / 2, span, a) - _inside(a, span, a))
    half = span / 2
    there = a * (3 * half**2 - a**2) if midspan else a * (b - a**2)
    return 2 * (outside + between) / (there**2 * span)


def _inside(x: float, span: float, a: float) -> float:
    """Return the antiderivative of (3 x (L - x) - a2)2."""
    return (
        9 * x**5 / 5
        - 9 * span * x**4 / 2
        + (3 * span**2 + 2 * a**2) * x**3
        - 3 * a**2 * span * x**2
        + a**4 * x
    )


def first_frequency(specimen: Specimen, moving_mass: float, *, cracked: bool = True) -> float:
    """Return the first natural frequency [Hz] of a specimen with what moves on it.

    `moving_mass` [kg] rests on the load points: rod, spreader, rollers. A cracked beam is taken as
    cracked over its whole span, which it is not: the true frequency is higher. The frame is taken
    as rigid, which it is not: the true frequency is lower. So it is under water, some of which
    swings along.
    """
    section, concrete = specimen.section, specimen.concrete
    a, area = shear_span(section), gross(section).area
    rigidity = cracked_rigidity(specimen) if cracked else uncracked_rigidity(specimen)
    flexibility = load_point_flexibility(rigidity, section.span, a)
    flexibility += shear_flexibility(area, concrete.modulus, a)
    swings = generalised_mass(section.span, a) * concrete.density * area * section.span
    return spring_frequency(1 / flexibility, moving_mass + swings)
