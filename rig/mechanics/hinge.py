"""One crack in equilibrium: a hinge that opens by as much as its tendons slip.

The assumptions and their source are those of `rig.mechanics.discrete`. Unknown are top strain and
curvature of the hinge. How long it is at the depth of a tendon tells how far that slips, and so
its stress; the longer, the more. So the hinge finds the least of a potential as a section does:
Newton's method with steps halved where they climb.

Arrays have the shape (elements,) or (elements, loose tendons).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from rig.mechanics.along import under
from rig.mechanics.crack import Crack
from rig.mechanics.equilibrium import Strains, makeup, sums
from rig.mechanics.laws import steel_stress, steel_tangent
from rig.mechanics.section import ultimate
from rig.mechanics.slipping import by_law, elongation, followed, slipped
from rig.mechanics.stations import beam

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.mechanics.equilibrium import Makeup
    from rig.samples import FloatArray

_LONGEST: Final = 0.02  # strain by which one step may go
_SHORT: Final = 1e-7  # strain: a shorter step climbs by rounding alone
_STEPS: Final = 40
_CLOSE: Final = 1e-11  # strain
_ENOUGH: Final = 1e-8  # strain: what has come no nearer has no equilibrium
_BEYOND: Final = 1e-6  # share of an ultimate strain: the ultimate state itself still counts
_HOPELESS: Final = 3.0  # ultimate strains: no hinge comes back from there
_LEAST: Final = 1e-9  # of what a matrix would be without its corners


class Opened(NamedTuple):
    """A crack in equilibrium, nan where there is none.

    `strains` of the hinge; of the loose tendons `stress` [Pa], `reach` [m] of the bond that
    slips, `at_end` [m] slip at the end since release, `felt` [Pa]: their pull since decompression
    that the concrete of the hinge feels.
    """

    strains: Strains
    stress: FloatArray
    reach: FloatArray
    at_end: FloatArray
    felt: FloatArray


class Borne(NamedTuple):
    """What strains of a hinge bear: axial force [N], compression positive, and moment [N m].

    `k00` to `k11` say by how much force and moment about the top change with the strain of the
    top (0) and, less, with the curvature (1). `strain` [1] is that of the loose tendons.
    """

    force: FloatArray
    moment: FloatArray
    k00: FloatArray
    k01: FloatArray
    k10: FloatArray
    k11: FloatArray
    strain: FloatArray


class _Point(NamedTuple):
    """A state of the hinge: what is out of balance, Newton's step, and the tendons' strain."""

    force: FloatArray
    moment: FloatArray
    top: FloatArray
    curvature: FloatArray
    strain: FloatArray


# Where a search runs away it ends as nan, without a word.
@np.errstate(invalid="ignore", over="ignore", divide="ignore")
def opened(crack: Crack) -> Opened:
    """Return a crack in equilibrium."""
    top, curvature, strain = _start(crack)
    at = _point(crack, Strains(top, curvature), strain)
    share, left = np.ones_like(top), np.full_like(top, np.inf)
    most = _HOPELESS * makeup(crack.specimen).crushing
    for _ in range(_STEPS):
        there = Strains(top + share * at.top, curvature + share * at.curvature)
        then = _point(crack, there, at.strain)
        slope = at.force * at.top + at.moment * at.curvature
        ahead = then.force * at.top + then.moment * at.curvature
        # As along a beam: past the bottom of the potential, and high up on the other side.
        climbed = (ahead > 0.5 * np.abs(slope)) & (left > _SHORT)
        top = np.where(climbed, top, there.top)
        curvature = np.where(climbed, curvature, there.curvature)
        at = _Point(*(_where(climbed, o, n) for o, n in zip(at, then, strict=True)))
        share = np.where(climbed, share / 2, 1.0)
        left = np.abs(at.top) + np.abs(at.curvature) * crack.specimen.section.height
        if not np.any((left > _CLOSE) & (top < most)):
            break
    return _sound(crack, Strains(top, curvature), at.strain, left < _ENOUGH)


def _where(condition: NDArray[np.bool_], one: FloatArray, other: FloatArray) -> FloatArray:
    return np.where(condition[:, None] if one.ndim > 1 else condition, one, other)


def _start(crack: Crack) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return top strain and curvature of the section with bond, and its tendons' strain there.

    Where that bears less than the load, which a crack may bear that opens little, those of its
    ultimate state.
    """
    loads, which = np.unique(crack.load, return_inverse=True)
    state, end = under(beam(crack.specimen, np.zeros(len(loads))), loads), ultimate(crack.specimen)
    top, curvature = state.top[which, -1], state.curvature[which, -1]
    strain = state.strain[:, list(crack.numbers)][which]
    less, bent = np.isnan(top), end.top_strain / end.neutral_axis
    last = [t.prestrain + bent * t.depth - end.top_strain for t in crack.concrete.tendons]
    return (
        np.where(less, end.top_strain, top),
        np.where(less, bent, curvature),
        np.minimum(np.where(less[:, None], np.array(last), strain), crack.most),
    )


def borne(crack: Crack, made: Makeup, strains: Strains, strain: FloatArray) -> Borne:
    """Return what strains of a hinge bear; `strain` is where its tendons' is sought from."""
    tendons = crack.concrete.tendons
    strain, slope = followed(crack, elongation(crack, strains), strain)
    stress, tangent = by_law(crack, steel_stress, strain), by_law(crack, steel_tangent, strain)
    tangent = np.where(strain < crack.most, tangent, 0.0)
    held: list[FloatArray | None] = [None] * len(crack.specimen.tendons)
    for i, number in enumerate(crack.numbers):
        held[number] = stress[:, i]
    now = sums(made, strains.top, strains.curvature, held)
    area = np.array([t.area for t in tendons])
    depth = np.array([t.depth for t in tendons])
    # Of each tendon's force by each depth's strain: the hinge, the slips, the steel.
    stiff = crack.hinge * (area * tangent)[:, :, None] * np.linalg.inv(slope)
    return Borne(
        np.asarray(now.force),
        np.asarray(now.moment),
        now.k0 + stiff.sum(axis=(1, 2)),
        now.k1 + (stiff @ depth).sum(axis=1),
        now.k1 + (depth @ stiff).sum(axis=1),
        now.k2 + (depth @ stiff) @ depth,
        strain,
    )


def _point(crack: Crack, strains: Strains, strain: FloatArray) -> _Point:
    """Return how far a hinge is from equilibrium; `strain` is where its tendons' is sought from."""
    now = borne(crack, makeup(crack.specimen), strains, strain)
    short = crack.moment - now.moment
    rest = np.maximum(now.k00 * now.k11 - now.k01 * now.k10, _LEAST * (now.k00 * now.k11 + 1.0))
    return _Point(
        now.force,
        -short,
        *_limited(
            (now.k01 * short - now.k11 * now.force) / rest,
            (now.k00 * short - now.k10 * now.force) / rest,
            crack.specimen.section.height,
        ),
        now.strain,
    )


def _limited(
    top: FloatArray, curvature: FloatArray, height: float
) -> tuple[FloatArray, FloatArray]:
    """Return a step no longer than one may go."""
    size = np.maximum(np.abs(top), np.abs(top - curvature * height))
    by = 1 / np.maximum(size / _LONGEST, 1.0)
    return top * by, curvature * by


def _sound(
    crack: Crack, strains: Strains, strain: FloatArray, settled: NDArray[np.bool_]
) -> Opened:
    """Return what was found, nan where it is no equilibrium or concrete or steel has broken."""
    slip, reach = slipped(crack, strain), np.zeros_like(strain)
    for i, zone in enumerate(crack.zones):
        if zone is not None:
            reach[:, i] = zone.reach(slip.energy[:, i])
    broken = np.any(strain >= np.array([t.rupture for t in crack.concrete.tendons]), axis=1)
    # What the bond no longer bears, the tendon is drawn in for.
    drawn = np.where(strain < crack.most, 0.0, (elongation(crack, strains) - slip.length) / 2)
    most = makeup(crack.specimen).crushing * (1 + _BEYOND)
    lost = np.where(settled & ~broken & (strains.top <= most), 0.0, np.nan)
    row = lost[:, None]
    return Opened(
        Strains(strains.top + lost, strains.curvature + lost),
        by_law(crack, steel_stress, strain) + row,
        reach + row,
        slip.at_end + np.maximum(drawn, 0.0) + row,
        slip.felt + row,
    )
