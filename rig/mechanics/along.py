"""Equilibrium along a beam whose tendons have lost their bond over a part of its length.

At each station the section of `rig.mechanics.equilibrium` is in equilibrium with the moment and
the tendon forces there. A tendon without bond has one stress, and its strain is that of the
concrete beside it on average over the length without bond: by what the concrete is longer there,
the tendon is longer [1]. There is no friction along it.

Stresses never fall with strain, so that the beam, like its sections, finds the least of a convex
potential: Newton's method with steps halved where they climb, all loads and lengths at once. Each
station answers by itself; a tendon ties them together, one equation a tendon.

A row of the unknowns holds the top strains at the stations, the curvatures [1/m], and the load
[N]; an element, one load with one length, is a row.

Sources
-------
[1] A. E. Naaman et al., ACI Structural Journal 99 (2002), 99-S54: the stress of an unbonded
    tendon depends on the deformation of the whole member, not on one section.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from rig.mechanics.equilibrium import Sums, solve, sums
from rig.mechanics.laws import steel_stress, steel_tangent
from rig.mechanics.stations import Beam

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from rig.mechanics.specimen import SteelLaw
    from rig.samples import FloatArray

    Law = Callable[[SteelLaw, float, FloatArray], FloatArray]

_LONGEST: Final = 0.005  # strain by which one step may go
_PACE: Final = 0.002  # the same on the way to the ultimate state, where nothing halves a step
_SHORT: Final = 1e-7  # strain: a shorter step climbs by rounding alone
_STEPS: Final = 200
_HOPELESS: Final = 0.3  # strain that neither steel nor concrete comes back from
_GRID: Final = 200
_CLOSE: Final = 1e-12  # strain
_ENOUGH: Final = 1e-8  # strain: what has come no nearer has no equilibrium
_BEYOND: Final = 1e-6  # share of an ultimate strain: the ultimate state itself still counts
_LEAST: Final = 10.0  # Pa: stiffness where the concrete is open from bottom to top


@dataclass(frozen=True, slots=True)
class Balance:
    """Equilibrium of a beam, nan where there is none.

    `load` [N] of shape (elements,); `strain` [1] and `stress` [Pa] of the tendons where they
    have no bond, of shape (elements, tendons); `top` strain and `curvature` [1/m] of shape
    (elements, stations).
    """

    load: FloatArray
    strain: FloatArray
    stress: FloatArray
    top: FloatArray
    curvature: FloatArray


class _Step(NamedTuple):
    """Changes of top strain and curvature at the stations, and of the free tendons' strain."""

    top: FloatArray
    curvature: FloatArray
    stretch: FloatArray


def under(cut: Beam, load: FloatArray) -> Balance:
    """Return the equilibrium under actuator loads [N] of shape (elements,)."""
    return _search(cut, load, ultimate=False)


def at_ultimate(cut: Beam, start: FloatArray) -> Balance:
    """Return the equilibrium at which concrete or a free tendon reaches its ultimate strain.

    The concrete is the top at mid-span. `start` [N] of shape (elements,) are loads to begin at.
    """
    return _search(cut, start, ultimate=True)


# Where a search runs away it ends as nan, without a word.
@np.errstate(invalid="ignore", over="ignore", divide="ignore")
def _search(cut: Beam, load: FloatArray, *, ultimate: bool) -> Balance:
    """Return where Newton's steps end that begin at a beam with bond everywhere."""
    at = np.hstack((*_bonded(cut, cut.moment(load)), load[:, None]))
    slope, step = _newton(cut, at, ultimate=ultimate)
    share = np.ones((len(load), 1))
    left = share
    for _ in range(_STEPS):
        there = at + share * step
        next_slope, next_step = _newton(cut, there, ultimate=ultimate)
        # Past the bottom of the potential along the step, and high up on the other side.
        climbed = _dot(next_slope, step) > 0.5 * np.abs(_dot(slope, step))
        # A load that moves along has no potential, and a short step climbs by rounding alone.
        climbed &= (not ultimate) & (_size(cut, step) > _SHORT)
        at = np.where(climbed, at, there)
        slope = np.where(climbed, slope, next_slope)
        step = np.where(climbed, step, next_step)
        share = np.where(climbed, share / 2, 1.0)
        left = _size(cut, step)
        lost = _size(cut, at) > _HOPELESS
        if not np.any((left > _CLOSE) & ~lost):
            break
    return _sound(cut, at, left[:, 0] < _ENOUGH)


def _bonded(cut: Beam, moment: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return nearly the strains of sections with bond: solved at some moments, between them lines.

    Where a section with bond bears less than the moment, those of the most that it bears.
    """
    grid = np.linspace(min(moment.min(), 0.0), moment.max(), _GRID)
    solved = solve(cut.specimen, grid)
    known = ~np.isnan(np.asarray(solved.top))
    if not np.any(known):
        return np.full_like(moment, np.nan), np.full_like(moment, np.nan)
    found = (np.asarray(v)[known] for v in (solved.top, solved.curvature))
    top, curvature = (np.interp(moment, grid[known], v) for v in found)
    return top, curvature


def _dot(one: FloatArray, other: FloatArray) -> FloatArray:
    return np.asarray((one * other).sum(axis=1, keepdims=True))


def _size(cut: Beam, step: FloatArray) -> FloatArray:
    """Return the largest strain [1] of a state or a step, shape (elements, 1)."""
    top, curvature, _ = _parts(step)
    bottom = top - curvature * cut.made.height
    return np.asarray(np.maximum(np.abs(top), np.abs(bottom)).max(axis=1, keepdims=True))


def _parts(row: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    stations = row.shape[1] // 2
    return row[:, :stations], row[:, stations:-1], row[:, -1]


def _newton(cut: Beam, at: FloatArray, *, ultimate: bool) -> tuple[FloatArray, FloatArray]:
    """Return slope of the potential and Newton's step at a state, both like rows of unknowns."""
    top, curvature, load = _parts(at)
    strain = free_strain(cut, top, curvature)
    now = _along(cut, top, curvature, _of_tendons(cut, strain, steel_stress))
    short = cut.moment(load) - now.moment
    mend, more = _answers(cut, now, short, _of_tendons(cut, strain, steel_tangent))
    rise = np.zeros_like(load)
    if ultimate:
        rise = _to_ultimate(cut, top[:, -1], strain, mend, more)
    # Stations that stand for nothing are in nobody's way, and nothing would halve their steps.
    lives = cut.share > 0
    step = np.hstack(
        (
            lives * (mend.top + rise[:, None] * more.top),
            lives * (mend.curvature + rise[:, None] * more.curvature),
            rise[:, None],
        )
    )
    slope = np.hstack((cut.share * now.force, -cut.share * short, np.zeros((len(load), 1))))
    most = _PACE if ultimate else _LONGEST
    return slope, step / np.maximum(_size(cut, step) / most, 1.0)


def free_strain(cut: Beam, top: FloatArray, curvature: FloatArray) -> FloatArray:
    """Return the strain [1] of each tendon where it has no bond, shape (elements, tendons)."""
    means = [
        layer.prestrain + _stretch(cut, i, top, curvature) for i, layer in enumerate(cut.tendons)
    ]
    return np.stack(means, axis=1) if means else np.zeros((len(top), 0))


def _stretch(cut: Beam, tendon: int, top: FloatArray, curvature: FloatArray) -> FloatArray:
    """Return the mean strain in tension of the concrete beside a tendon without bond."""
    share = cut.share * cut.free(tendon)
    strain = curvature * cut.tendons[tendon].depth - top
    return np.asarray((share * strain).sum(axis=1) / share.sum(axis=1))


def _of_tendons(cut: Beam, strain: FloatArray, law: Law) -> FloatArray:
    """Return what a law of steel makes of the strains of the free tendons."""
    found = [law(t.law, t.modulus, strain[:, i]) for i, t in enumerate(cut.tendons)]
    return np.stack(found, axis=1) if found else strain


def _along(cut: Beam, top: FloatArray, curvature: FloatArray, stress: FloatArray) -> Sums:
    """Return forces, moments and stiffnesses at the stations; free tendons have no stiffness."""
    parts = []
    for zone, lost in zip(cut.zones(), (False, True), strict=True):
        held = [
            stress[:, i : i + 1] if lost or whole else None for i, whole in enumerate(cut.whole)
        ]
        parts.append(sums(cut.made, top[:, zone], curvature[:, zone], held))
    return Sums(*(np.hstack(both) for both in zip(*parts, strict=True)))


def _answers(cut: Beam, now: Sums, short: FloatArray, tangent: FloatArray) -> tuple[_Step, _Step]:
    """Return what mends a beam that is out of balance, and what one newton more of load does.

    `short` [N m] lacks at the stations, `tangent` [Pa] is the stiffness of the free tendons.
    """
    least = _LEAST * cut.made.height
    k0 = np.maximum(now.k0, least)
    centre = now.k1 / k0
    inertia = np.maximum(now.k2 - now.k1 * centre, least * cut.made.height**2)

    def alone(force: FloatArray, moment: FloatArray) -> _Step:
        curvature = (moment + centre * force) / inertia
        top = centre * curvature + force / k0
        found = [_stretch(cut, i, top, curvature) for i in range(len(cut.whole))]
        return _Step(top, curvature, np.stack(found, axis=1) if found else top[:, :0])

    none = np.zeros_like(short)
    mend, more = alone(-np.asarray(now.force), short), alone(none, none + cut.arm)
    pulls = [
        alone(none + pull, none - pull * tendon.depth)
        for i, tendon in enumerate(cut.tendons)
        for pull in (tendon.area * cut.free(i),)
    ]
    if not pulls:
        return mend, more
    # The stress of a tendon shortens the concrete beside all of them, and so their strains.
    ties = np.stack([p.stretch for p in pulls], axis=2) * tangent[:, None, :]
    tied = np.asarray(np.linalg.inv(np.eye(len(pulls)) - ties), float)
    return _tied(mend, pulls, tied, tangent), _tied(more, pulls, tied, tangent)


def _tied(alone: _Step, pulls: Sequence[_Step], tied: FloatArray, tangent: FloatArray) -> _Step:
    """Return a step of stations by themselves with what the free tendons add to it."""
    stretch = (tied @ alone.stretch[:, :, None])[:, :, 0]
    top, curvature = alone.top, alone.curvature
    for i, pull in enumerate(pulls):
        stress = (tangent[:, i] * stretch[:, i])[:, None]
        top, curvature = top + stress * pull.top, curvature + stress * pull.curvature
    return _Step(top, curvature, stretch)


def _to_ultimate(
    cut: Beam, top: FloatArray, strain: FloatArray, mend: _Step, more: _Step
) -> FloatArray:
    """Return by how much the load [N] must change for the first ultimate strain to be met.

    `top` [1] is the strain at mid-span, `strain` that of the free tendons.
    """
    limits = np.array([cut.made.crushing, *(t.rupture for t in cut.tendons)])
    now = np.column_stack((top, strain)) / limits
    mended = np.column_stack((mend.top[:, -1], mend.stretch)) / limits
    loaded = np.column_stack((more.top[:, -1], more.stretch)) / limits
    row, first = np.arange(len(top)), np.argmax(now, axis=1)
    return np.asarray((1 - now[row, first] - mended[row, first]) / loaded[row, first])


def _sound(cut: Beam, at: FloatArray, settled: NDArray[np.bool_]) -> Balance:
    """Return what was found, nan where it is no equilibrium or something has broken."""
    top, curvature, load = _parts(at)
    strain = free_strain(cut, top, curvature)
    whole = settled & (top.max(axis=1) <= cut.made.crushing * (1 + _BEYOND))
    for i, tendon in enumerate(cut.tendons):
        whole &= strain[:, i] <= tendon.rupture * (1 + _BEYOND)
    stress = _of_tendons(cut, strain, steel_stress)
    lost = np.where(whole, 0.0, np.nan)
    return Balance(
        load + lost,
        strain + lost[:, None],
        stress + lost[:, None],
        top + lost[:, None],
        curvature + lost[:, None],
    )
