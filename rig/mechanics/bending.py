"""Four-point bending of a simply supported beam: closed forms of elastic beam theory.

`load` is the total actuator load F [N]; each of the two load points carries F/2. `a` is the
shear span (support to load point), `span` the distance between supports [m].
"""

from __future__ import annotations

from typing import Final

SHEAR_FACTOR: Final = 5.0 / 6.0
"""Timoshenko's shear factor of a rectangle."""

POISSON: Final = 0.2
"""Poisson's ratio of uncracked concrete (EN 1992-1-1, 3.1.3(4))."""


def moment(load: float, a: float) -> float:
    """Return the moment between the load points [N m]."""
    return load / 2 * a


def load_for_moment(bending: float, a: float) -> float:
    """Return the total load [N] that makes a moment [N m] between the load points."""
    return 2 * bending / a


def midspan_flexibility(stiffness: float, span: float, a: float) -> float:
    """Return mid-span deflection by bending per unit of total load [m/N]; `stiffness` EI [N m2]."""
    return a * (3 * span**2 - 4 * a**2) / (48 * stiffness)


def load_point_flexibility(stiffness: float, span: float, a: float) -> float:
    """Return load-point deflection by bending per unit of total load [m/N]."""
    return a * (3 * span * a - 4 * a**2) / (12 * stiffness)


def shear_flexibility(area: float, modulus: float, a: float) -> float:
    """Return the deflection by shear per unit of total load [m/N], equal at mid and load points.

    `area` [m2] of a rectangle, `modulus` E [Pa]; G = E / (2 (1 + POISSON)).
    """
    shear_modulus = modulus / (2 * (1 + POISSON))
    return a / (2 * SHEAR_FACTOR * shear_modulus * area)


def constant_moment_deflection(curvature: float, span: float, a: float) -> float:
    """Return mid-span deflection [m] of a curvature [1/m] between the load points only."""
    return curvature * (span**2 / 8 - a**2 / 2)
