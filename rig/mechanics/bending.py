"""Four-point bending of a simply supported beam: closed forms of elastic beam theory.

`load` is the total actuator load F [N]; each of the two load points carries F/2. `a` is the
shear span (support to load point), `span` the distance between supports [m], `stiffness` EI
[N m2]. Loads, moments, curvatures and forces may be arrays. At the supports there is no
deflection: a net one is that of the beam itself.

Sources
-------
[1] Tables of elastic beams (any engineering handbook): two equal loads, even load, camber.
[2] S. P. Timoshenko: shear in beams. ASTM C1609 gives the same factor at third points; from
    memory.
[3] ASTM C78; EN 12390-5 has the same formula for two-point loading; from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    from rig.samples import FloatArray

    Value = TypeVar("Value", float, FloatArray)
    """A number, or an array of them: what goes in comes out."""

SHEAR_FACTOR: Final = 5.0 / 6.0
"""Timoshenko's shear factor of a rectangle [2]."""

POISSON: Final = 0.2
"""Poisson's ratio of uncracked concrete (EN 1992-1-1, 3.1.3(4))."""

OUTSIDE: Final = 0.05
"""Share of the span by which a fracture may lie outside the loads and still count [3]."""


def moment(load: Value, a: float) -> Value:
    """Return the moment between the load points [N m]."""
    return load / 2 * a


def load_for_moment(bending: Value, a: float) -> Value:
    """Return the total load [N] that makes a moment [N m] between the load points."""
    return 2 * bending / a


def midspan_flexibility(stiffness: float, span: float, a: float) -> float:
    """Return mid-span deflection by bending per unit of total load [m/N] [1]."""
    return a * (3 * span**2 - 4 * a**2) / (48 * stiffness)


def load_point_flexibility(stiffness: float, span: float, a: float) -> float:
    """Return load-point deflection by bending per unit of total load [m/N] [1]."""
    return a * (3 * span * a - 4 * a**2) / (12 * stiffness)


def end_rotation_flexibility(stiffness: float, span: float, a: float) -> float:
    """Return the rotation at the supports per unit of total load [1/N] [1]."""
    return a * (span - a) / (4 * stiffness)


def shear_flexibility(area: float, modulus: float, a: float) -> float:
    """Return the deflection by shear per unit of total load [m/N], equal at mid and load points.

    `area` [m2] of a rectangle, `modulus` E [Pa]; G = E / (2 (1 + POISSON)) [2].
    """
    shear_modulus = modulus / (2 * (1 + POISSON))
    return a / (2 * SHEAR_FACTOR * shear_modulus * area)


def constant_moment_deflection(curvature: Value, span: float, a: float) -> Value:
    """Return mid-span deflection [m] of a curvature [1/m] between the load points only."""
    return curvature * (span**2 / 8 - a**2 / 2)


def relative_deflection(curvature: Value, spacing: float) -> Value:
    """Return mid-span deflection [m] relative to load points `spacing` [m] apart [1]."""
    return curvature * spacing**2 / 8


def weight_deflection(weight: Value, stiffness: float, span: float) -> Value:
    """Return mid-span deflection [m] of an even load [N/m]: 5 w L4 / (384 EI) [1]."""
    return 5 * weight * span**4 / (384 * stiffness)


def straight_camber(force: Value, eccentricity: float, stiffness: float, span: float) -> Value:
    """Return the camber [m] of a straight tendon: P e L2 / (8 EI) [1].

    `force` [N] acts `eccentricity` [m] below the centroid, at the ends as at mid-span.
    """
    return force * eccentricity * span**2 / (8 * stiffness)


def draped_camber(force: Value, eccentricity: float, stiffness: float, span: float) -> Value:
    """Return the camber [m] of a tendon bent down at the third points: 23 P e L2 / (216 EI) [1].

    It is at the centroid at the ends and `eccentricity` [m] below it from third to third point.
    """
    return 23 * force * eccentricity * span**2 / (216 * stiffness)


def parabolic_camber(force: Value, eccentricity: float, stiffness: float, span: float) -> Value:
    """Return the camber [m] of a parabolic tendon: 5 P e L2 / (48 EI) [1].

    It is at the centroid at the ends and `eccentricity` [m] below it at mid-span.
    """
    return 5 * force * eccentricity * span**2 / (48 * stiffness)


def modulus_of_rupture(
    load: float, span: float, width: float, height: float, fracture: float | None = None
) -> float:
    """Return the flexural strength [Pa] of a prism broken by a load [N] at third points [3].

    `fracture` [m] is the mean distance of the crack in the bottom from the nearer support, None
    between the loads: F L / (b d2). Outside them by no more than `OUTSIDE` of the span it is
    3 F a / (b d2); ValueError where it lies further out, for then the result does not count.
    """
    modulus = width * height**2
    if fracture is None or fracture >= span / 3:
        return load * span / modulus
    if fracture < (1 / 3 - OUTSIDE) * span:
        raise ValueError(
            f"fracture {fracture} m from the support: a result counts from "
            f"{(1 / 3 - OUTSIDE) * span:.4g} m on; discard the test"
        )
    return 3 * load * fracture / modulus


def crack_rotation(opening: Value, height: float, depth: float) -> Value:
    """Return the rotation of one crack: its opening [m] at the bottom over its height.

    `depth` [m] is that of the compressed zone over it, about which its faces turn.
    """
    return opening / (height - depth)


def crack_deflection(rotation: Value, x: float) -> Value:
    """Return mid-span deflection [m] by one crack of a rotation [1], `x` [m] from a support.

    From the nearer one: rotation times the moment there of a unit load at mid-span.
    """
    return rotation * x / 2
