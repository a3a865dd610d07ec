"""What is asked of a crack: loads, loose tendons, the bond that is left to them.

The assumptions are those of `rig.mechanics.discrete`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.mechanics.bond_zone import Bar, BondZone, between_cracks, towards_end
from rig.mechanics.laws import rupture_strain, steel_stress, strength
from rig.mechanics.section import UNBONDED
from rig.mechanics.shapes import moment_under, self_weight, shear_span
from rig.mechanics.smeared import omega
from rig.mechanics.stations import SHORTEST
from rig.mechanics.whole_concrete import Whole

if TYPE_CHECKING:
    from rig.mechanics.bond_laws import BondLaw
    from rig.mechanics.specimen import Specimen, SteelLaw, Tendon
    from rig.samples import FloatArray

_LARGE: Final = 1.0  # strain


@dataclass(frozen=True, slots=True)
class Crack:
    """What is asked of a crack.

    `load` [N] and `moment` [N m] at it, `hinge` [m] its structural length. Of the loose tendons,
    those of `concrete`: `numbers` in the specimen, and `zones`, the bond of each, None where it
    is anchored. A tendon is free over `free` [m] under `mean` [N m] on average, its bond begins
    under `front` [N m]; `most` [1] is the strain at which that bond gives way, or the steel.
    """

    specimen: Specimen
    concrete: Whole
    numbers: tuple[int, ...]
    zones: tuple[BondZone | None, ...]
    hinge: float
    load: FloatArray
    moment: FloatArray
    free: FloatArray
    mean: FloatArray
    front: FloatArray
    most: FloatArray


def loose_tendons(specimen: Specimen) -> tuple[int, ...]:
    """Return which layers of tendons a crack crosses and loosens, and which have no bond at all.

    ValueError where there is none.
    """
    if not specimen.tendons:
        raise ValueError(f"{specimen.name}: 0 tendons; a crack in it needs one that slips")
    deepest = max(t.depth for t in specimen.tendons)
    low = min(specimen.section.height / 2, deepest)
    tendons = enumerate(specimen.tendons)
    return tuple(i for i, t in tendons if t.bond == UNBONDED or t.depth >= low)


@dataclass(frozen=True, slots=True)
class Cracks:
    """Cracks a `spacing` [m] apart, None for one at mid-span; `diameter` [m] of a wire.

    Without a diameter a layer of tendons is one round bar.
    """

    bond: BondLaw
    spacing: float | None = None
    diameter: float | None = None

    def around(self, tendon: Tendon) -> float:
        """Return the perimeter of a layer of tendons over its area [1/m]."""
        return 4 / (self.diameter or math.sqrt(4 * tendon.area / math.pi))


def crack_at(
    specimen: Specimen, concrete: Whole, cracks: Cracks, load: FloatArray, length: FloatArray
) -> Crack:
    """Return the crack of actuator loads [N] and lengths [m], both of shape (elements,)."""
    section, spacing, numbers = specimen.section, cracks.spacing, loose_tendons(specimen)
    span, a, weight = section.span, shear_span(section), self_weight(specimen)
    lost = np.clip(length, SHORTEST * span, min(spacing or span, span))
    free = np.where(concrete.anchored, span, lost[:, None])
    own = weight / 2 * (span**2 / 4 - free**2 / 12)
    moment, x = np.asarray(moment_under(specimen, load)), (span - lost) / 2
    front = load / 2 * np.minimum(x, a) + weight * x * (span - x) / 2
    room = x if spacing is None else (spacing - lost) / 2
    bonds = [_bond(specimen, concrete, cracks, i, room) for i in range(len(numbers))]
    return Crack(
        specimen=specimen,
        concrete=concrete,
        numbers=numbers,
        zones=tuple(zone for zone, _ in bonds),
        hinge=min(spacing or section.height, section.height),
        load=load,
        moment=moment,
        free=free,
        mean=load[:, None] * a / 2 * omega(span, a, free) + own,
        front=(front if spacing is None else moment)[:, None],
        most=np.stack([most for _, most in bonds], axis=1),
    )


def _bond(
    specimen: Specimen, concrete: Whole, cracks: Cracks, loose: int, room: FloatArray
) -> tuple[BondZone | None, FloatArray]:
    """Return the bond of a loose tendon with `room` [m], and the strain that it bears at most."""
    tendon = specimen.tendons[loose_tendons(specimen)[loose]]
    rupture = np.full_like(room, rupture_strain(tendon))
    if concrete.anchored[loose]:
        return None, rupture
    bond, around = cracks.bond, cracks.around(tendon)
    bar = Bar(around, concrete.give(loose), strength(tendon))
    if cracks.spacing is not None:
        return between_cracks(bond, bar, room), rupture
    bears = strain_of(tendon.law, tendon.modulus, bond.peak * around * room)
    return towards_end(bond, bar, concrete.prestress(loose), room), np.minimum(bears, rupture)


def strain_of(law: SteelLaw, modulus: float, stress: FloatArray) -> FloatArray:
    """Return the least strain at which steel has a stress [Pa]; infinite beyond its strength."""
    low = np.minimum(stress / modulus, _LARGE)
    high = np.full_like(stress, _LARGE)
    never = ~(steel_stress(law, modulus, high) >= stress)
    for _ in range(60):
        middle = (low + high) / 2
        short = steel_stress(law, modulus, middle) < stress
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.where(never, np.inf, high)
