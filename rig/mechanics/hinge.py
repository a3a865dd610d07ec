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
from rig.mechanics.stations import beam

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from rig.mechanics.specimen import SteelLaw
    from rig.samples import FloatArray

    Law = Callable[[SteelLaw, float, FloatArray], FloatArray]

_LONGEST: Final = 0.02  # strain by which one step may go
_SHORT: Final = 1e-7  # strain: a shorter step climbs by rounding alone
_STEPS: Final = 40
_ROUNDS: Final = 25
_CLOSE: Final = 1e-11  # strain
_FOLLOWED: Final = 1e-12  # strain of a tendon
_ENOUGH: Final = 1e-8  # strain: what has come no nearer has no equilibrium
_BEYOND: Final = 1e-6  # share of an ultimate strain: the ultimate state itself still counts
_HOPELESS: Final = 3.0  # ultimate strains: no hinge comes back from there
_LEAST: Final = 1e-9  # of what a matrix would be without its corners
_LEAST_SHARE: Final = 0.01
_TRIED: Final = 1e-7  # strain by which a slip is differentiated
_AT, _WEIGHTS = np.polynomial.legendre.leggauss(6)


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


class _Slip(NamedTuple):
    """Loose tendons of some strain at a crack.

    `length` [m]: by how much the hinge must be longer at their depths than without strain;
    `bond` [m] the slip where the bond begins, `at_end` [m] that at the end since release;
    `energy` [Pa] that the bond takes; `felt` [Pa] as in `Opened`.
    """

    length: FloatArray
    bond: FloatArray
    at_end: FloatArray
    energy: FloatArray
    felt: FloatArray


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
    """Return top strain and curvature of the section with bond, and its tendons' strain there."""
    loads, which = np.unique(crack.load, return_inverse=True)
    state = under(beam(crack.specimen, np.zeros(len(loads))), loads)
    strain = state.strain[:, list(crack.numbers)][which]
    return state.top[which, -1], state.curvature[which, -1], strain


def _point(crack: Crack, strains: Strains, strain: FloatArray) -> _Point:
    """Return how far a hinge is from equilibrium; `strain` is where its tendons' is sought from."""
    tendons, wanted = crack.concrete.tendons, _elongation(crack, strains)
    strain, slope = _followed(crack, wanted, strain)
    stress, tangent = _law(crack, steel_stress, strain), _law(crack, steel_tangent, strain)
    tangent = np.where(strain < crack.most, tangent, 0.0)
    held: list[FloatArray | None] = [None] * len(crack.specimen.tendons)
    for i, number in enumerate(crack.numbers):
        held[number] = stress[:, i]
    now = sums(makeup(crack.specimen), strains.top, strains.curvature, held)
    area = np.array([t.area for t in tendons])
    depth = np.array([t.depth for t in tendons])
    # Of each tendon's force by each depth's strain: the hinge, the slips, the steel.
    stiff = crack.hinge * (area * tangent)[:, :, None] * np.linalg.inv(slope)
    k00 = now.k0 + stiff.sum(axis=(1, 2))
    k01 = now.k1 + (stiff @ depth).sum(axis=1)
    k10 = now.k1 + (depth @ stiff).sum(axis=1)
    k11 = now.k2 + (depth @ stiff) @ depth
    short = crack.moment - now.moment
    rest = np.maximum(k00 * k11 - k01 * k10, _LEAST * (k00 * k11 + 1.0))
    force = np.asarray(now.force)
    return _Point(
        force,
        -short,
        *_limited(
            (k01 * short - k11 * force) / rest,
            (k00 * short - k10 * force) / rest,
            crack.specimen.section.height,
        ),
        strain,
    )


def _limited(
    top: FloatArray, curvature: FloatArray, height: float
) -> tuple[FloatArray, FloatArray]:
    """Return a step no longer than one may go."""
    size = np.maximum(np.abs(top), np.abs(top - curvature * height))
    by = 1 / np.maximum(size / _LONGEST, 1.0)
    return top * by, curvature * by


def _elongation(crack: Crack, strains: Strains) -> FloatArray:
    """Return by how much the hinge is longer at the depth of each loose tendon [m]."""
    found = [-strains.at(t.depth) for t in crack.concrete.tendons]
    return crack.hinge * np.stack(found, axis=1)


def _followed(
    crack: Crack, wanted: FloatArray, strain: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the strains of tendons at elongations of the hinge [m], and the one by the other.

    The second is by how much the elongation grows with the strain, shape (elements, elongation
    of, strain of). Slips grow fast, then hardly as the steel yields: Newton's steps are halved
    where they come no nearer.
    """
    now = _slip(crack, strain)
    slope, step, left = _pursued(crack, wanted, strain, now)
    share = np.ones_like(left)
    for _ in range(_ROUNDS):
        trial = np.minimum(strain + share * step, crack.most)
        then = _slip(crack, trial)
        next_slope, next_step, next_left = _pursued(crack, wanted, trial, then)
        # The shortest step is taken as it is: beside a kink nothing may come nearer at once.
        worse = (next_left > left) & (share > _LEAST_SHARE)
        moved = np.abs(trial - strain)
        strain, step = np.where(worse, strain, trial), np.where(worse, step, next_step)
        slope = np.where(worse[:, :, None], slope, next_slope)
        left = np.where(worse, left, next_left)
        share = np.where(worse, share / 2, 1.0)
        if not np.any(moved > _FOLLOWED):
            break
    return strain, slope


def _pursued(
    crack: Crack, wanted: FloatArray, strain: FloatArray, now: _Slip
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return slope and Newton's step towards wanted elongations, and how much lacks [m]."""
    concrete, tangent = crack.concrete, _law(crack, steel_tangent, strain)
    count = range(len(concrete.tendons))
    gives = np.array([[concrete.gives(concrete.tendons[i].depth, j) for j in count] for i in count])
    near = np.where(concrete.anchored, 1.0, _near(crack))
    more = (_slip(crack, strain + _TRIED).bond - now.bond) / _TRIED
    slope = (crack.free[:, :, None] - crack.hinge * near[:, None, :]) * gives * tangent[:, None, :]
    for i in count:
        slope[:, i, i] += crack.free[:, i] + 2 * more[:, i]
    lacks = wanted - now.length
    lacks = np.where((strain >= crack.most) & (lacks > 0), 0.0, lacks)
    step = np.linalg.solve(slope, lacks[:, :, None])[:, :, 0]
    size = np.abs(step).max(axis=1, keepdims=True)
    step = step / np.maximum(size / _LONGEST, 1.0)
    return slope, step, np.abs(lacks).max(axis=1, keepdims=True)


def _near(crack: Crack) -> FloatArray:
    """Return which share of the hinge feels the stress at the crack, not that far from it."""
    lost = np.where(crack.concrete.anchored, 0.0, crack.free).max(axis=1, keepdims=True)
    return np.asarray(np.minimum(lost / crack.hinge, 1.0))


def _law(crack: Crack, law: Law, strain: FloatArray) -> FloatArray:
    """Return what a law of steel makes of the strains of the loose tendons."""
    tendons = enumerate(crack.concrete.tendons)
    return np.stack([law(t.law, t.modulus, strain[:, i]) for i, t in tendons], axis=1)


def _slip(crack: Crack, strain: FloatArray) -> _Slip:
    """Return what loose tendons of a strain do at the crack."""
    concrete = crack.concrete
    pull = _law(crack, steel_stress, strain) - concrete.stress
    far = concrete.far(crack.front, pull)
    before = np.array([t.prestrain for t in concrete.tendons])
    felt = np.where(concrete.anchored, pull, far + _near(crack) * (pull - far))
    length = crack.hinge * concrete.beside(crack.moment[:, None], felt)
    length += crack.free * (strain - before - concrete.beside(crack.mean, pull))
    bond, at_end, energy = np.zeros_like(strain), np.zeros_like(strain), np.zeros_like(strain)
    for i, zone in enumerate(crack.zones):
        if zone is not None:
            energy[:, i] = _energy(crack, i, strain[:, i], far[:, i])
            slip, at_end[:, i] = zone.slips(energy[:, i])
            # Less stress than far away is no state of a crack; a search may pass there.
            less = np.minimum(pull[:, i] - far[:, i], 0.0) * zone.bar.give * crack.hinge
            bond[:, i] = slip + less
    return _Slip(length + 2 * bond, bond, at_end, energy, felt)


def _energy(crack: Crack, tendon: int, strain: FloatArray, far: FloatArray) -> FloatArray:
    """Return the energy [Pa] that its bond must take from a tendon: k d2 / 2 where it is elastic.

    None where it bears less than far away.
    """
    layer, concrete = crack.concrete.tendons[tendon], crack.concrete
    end = concrete.strain[tendon] + far / layer.modulus
    half = np.maximum(strain - end, 0.0) / 2
    stress = steel_stress(layer.law, layer.modulus, end + 2 * half)
    between = steel_stress(layer.law, layer.modulus, (end + half)[:, None] + half[:, None] * _AT)
    steel = half * (_WEIGHTS * (stress[:, None] - between)).sum(axis=1)
    drop = np.maximum(stress - concrete.stress[tendon] - far, 0.0)
    return np.asarray(np.maximum(steel, 0.0) + concrete.answer(tendon) * drop**2 / 2)


def _sound(
    crack: Crack, strains: Strains, strain: FloatArray, settled: NDArray[np.bool_]
) -> Opened:
    """Return what was found, nan where it is no equilibrium or concrete or steel has broken."""
    slip, reach = _slip(crack, strain), np.zeros_like(strain)
    for i, zone in enumerate(crack.zones):
        if zone is not None:
            reach[:, i] = zone.reach(slip.energy[:, i])
    broken = np.any(strain >= np.array([t.rupture for t in crack.concrete.tendons]), axis=1)
    # What the bond no longer bears, the tendon is drawn in for.
    drawn = np.where(strain < crack.most, 0.0, (_elongation(crack, strains) - slip.length) / 2)
    most = makeup(crack.specimen).crushing * (1 + _BEYOND)
    lost = np.where(settled & ~broken & (strains.top <= most), 0.0, np.nan)
    row = lost[:, None]
    return Opened(
        Strains(strains.top + lost, strains.curvature + lost),
        _law(crack, steel_stress, strain) + row,
        reach + row,
        slip.at_end + np.maximum(drawn, 0.0) + row,
        slip.felt + row,
    )
