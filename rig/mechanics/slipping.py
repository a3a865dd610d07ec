"""What loose tendons do at a crack: how far they slip, and what strain an opening makes of them.

The assumptions are those of `rig.mechanics.discrete`. Arrays have the shape (elements, loose
tendons).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from rig.mechanics.crack import Crack
from rig.mechanics.laws import steel_bends, steel_stress, steel_tangent

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.mechanics.equilibrium import Strains
    from rig.mechanics.specimen import SteelLaw
    from rig.samples import FloatArray

    Law = Callable[[SteelLaw, float, FloatArray], FloatArray]

_LONGEST: Final = 0.02  # strain by which one step may go
_ROUNDS: Final = 100  # a slip begins flat: steps back to there only halve
_FOLLOWED: Final = 1e-12  # strain of a tendon
_LEAST_SHARE: Final = 0.01
_TRIED: Final = 1e-7  # strain by which a slip is differentiated
_AT, _WEIGHTS = np.polynomial.legendre.leggauss(6)


class Slip(NamedTuple):
    """Loose tendons of some strain at a crack.

    `length` [m]: by how much the hinge must be longer at their depths than without strain;
    `bond` [m] the slip where the bond begins, `at_end` [m] that at the end since release;
    `energy` [Pa] that the bond takes; `felt` [Pa]: their pull since decompression that the
    concrete of the hinge feels.
    """

    length: FloatArray
    bond: FloatArray
    at_end: FloatArray
    energy: FloatArray
    felt: FloatArray


def elongation(crack: Crack, strains: Strains) -> FloatArray:
    """Return by how much the hinge is longer at the depth of each loose tendon [m]."""
    found = [-strains.at(t.depth) for t in crack.concrete.tendons]
    return crack.hinge * np.stack(found, axis=1)


def followed(crack: Crack, wanted: FloatArray, strain: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the strains of tendons at elongations of the hinge [m], and the one by the other.

    The second is by how much the elongation grows with the strain, shape (elements, elongation
    of, strain of). Slips grow fast, then hardly as the steel yields: Newton's steps are halved
    where they come no nearer.
    """
    now = slipped(crack, strain)
    slope, step, left = _pursued(crack, wanted, strain, now)
    share = np.ones_like(left)
    for _ in range(_ROUNDS):
        trial = np.minimum(strain + share * step, crack.most)
        then = slipped(crack, trial)
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
    crack: Crack, wanted: FloatArray, strain: FloatArray, now: Slip
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return slope and Newton's step towards wanted elongations, and how much lacks [m]."""
    concrete, tangent = crack.concrete, by_law(crack, steel_tangent, strain)
    count = range(len(concrete.tendons))
    gives = np.array([[concrete.gives(concrete.tendons[i].depth, j) for j in count] for i in count])
    near = np.where(concrete.anchored, 1.0, _near(crack))
    more = (slipped(crack, strain + _TRIED).bond - now.bond) / _TRIED
    slope = (crack.free[:, :, None] - crack.hinge * near[:, None, :]) * gives * tangent[:, None, :]
    for i in count:
        slope[:, i, i] += crack.free[:, i] + 2 * more[:, i]
    lacks = wanted - now.length
    # A tendon that gives no more stands still, whatever the others do.
    still = (strain >= crack.most) & (lacks > 0)
    slope = np.where(still[:, :, None] | still[:, None, :], np.eye(len(count)), slope)
    lacks = np.where(still, 0.0, lacks)
    step = np.linalg.solve(slope, lacks[:, :, None])[:, :, 0]
    size = np.abs(step).max(axis=1, keepdims=True)
    step = step / np.maximum(size / _LONGEST, 1.0)
    return slope, step, np.abs(lacks).max(axis=1, keepdims=True)


def _near(crack: Crack) -> FloatArray:
    """Return which share of the hinge feels the stress at the crack, not that far from it."""
    lost = np.where(crack.concrete.anchored, 0.0, crack.free).max(axis=1, keepdims=True)
    return np.asarray(np.minimum(lost / crack.hinge, 1.0))


def by_law(crack: Crack, law: Law, strain: FloatArray) -> FloatArray:
    """Return what a law of steel makes of the strains of the loose tendons."""
    tendons = enumerate(crack.concrete.tendons)
    return np.stack([law(t.law, t.modulus, strain[:, i]) for i, t in tendons], axis=1)


def slipped(crack: Crack, strain: FloatArray) -> Slip:
    """Return what loose tendons of a strain do at the crack."""
    concrete = crack.concrete
    pull = by_law(crack, steel_stress, strain) - concrete.stress
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
    return Slip(length + 2 * bond, bond, at_end, energy, felt)


def _energy(crack: Crack, tendon: int, strain: FloatArray, far: FloatArray) -> FloatArray:
    """Return the energy [Pa] that its bond must take from a tendon: k d2 / 2 where it is elastic.

    None where it bears less than far away.
    """
    layer, concrete = crack.concrete.tendons[tendon], crack.concrete
    end = concrete.strain[tendon] + far / layer.modulus
    most = np.maximum(strain, end)
    stress = steel_stress(layer.law, layer.modulus, most)
    # From bend to bend of the law: across one, no rule of quadrature rises with the strain.
    bends = [b for b in steel_bends(layer.law, layer.modulus) if np.any(most > b)]
    edges = np.stack([end, *(np.clip(b, end, most) for b in bends), most], axis=1)
    middle, half = (edges[:, 1:] + edges[:, :-1]) / 2, np.diff(edges, axis=1) / 2
    between = steel_stress(layer.law, layer.modulus, middle[..., None] + half[..., None] * _AT)
    steel = (half * ((stress[:, None, None] - between) @ _WEIGHTS)).sum(axis=1)
    drop = np.maximum(stress - concrete.stress[tendon] - far, 0.0)
    return np.asarray(np.maximum(steel, 0.0) + concrete.answer(tendon) * drop**2 / 2)
