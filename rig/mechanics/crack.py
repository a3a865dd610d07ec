"""What is asked of a crack: loads, loose tendons, the bond that is left to them.

The assumptions are those of `rig.mechanics.discrete`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
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
    under `front` [N m], that of a place `begins` [m] from the support; `most` [1] is the strain
    at which that bond gives way, or the steel.
    """

    specimen: Specimen
    concrete: Whole
    numbers: tuple[int, ...]
    zones: tuple[BondZone | None, ...]
    hinge: float
    free: FloatArray
    begins: FloatArray
    most: FloatArray
    load: FloatArray
    moment: FloatArray
    mean: FloatArray
    front: FloatArray


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
    spacing, span, numbers = cracks.spacing, specimen.section.span, loose_tendons(specimen)
    lost = np.clip(length, SHORTEST * span, min(spacing or span, span))
    begins = (span - lost) / 2 if spacing is None else np.full_like(lost, span / 2)
    room = begins if spacing is None else (spacing - lost) / 2
    bonds = [_bond(specimen, concrete, cracks, i, room) for i in range(len(numbers))]
    height = specimen.section.height
    unloaded = Crack(
        specimen=specimen,
        concrete=concrete,
        numbers=numbers,
        zones=tuple(zone for zone, _ in bonds),
        hinge=min(spacing or height, height),
        free=np.where(concrete.anchored, span, lost[:, None]),
        begins=begins,
        most=np.stack([most for _, most in bonds], axis=1),
        load=np.zeros_like(lost),
        moment=np.zeros_like(lost),
        mean=np.zeros((len(lost), len(numbers))),
        front=np.zeros((len(lost), 1)),
    )
    return loaded(unloaded, load)


def loaded(crack: Crack, load: FloatArray) -> Crack:
    """Return a crack under other actuator loads [N] of shape (elements,)."""
    specimen, x = crack.specimen, crack.begins
    span, a, weight = specimen.section.span, shear_span(specimen.section), self_weight(specimen)
    own = weight / 2 * (span**2 / 4 - crack.free**2 / 12)
    return replace(
        crack,
        load=load,
        moment=np.asarray(moment_under(specimen, load)),
        mean=load[:, None] * a / 2 * omega(span, a, crack.free) + own,
        front=(load / 2 * np.minimum(x, a) + weight * x * (span - x) / 2)[:, None],
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
        return _zone(bond, bar, None, tuple(room.tolist())), rupture
    bears = strain_of(tendon.law, tendon.modulus, bond.peak * around * room)
    zone = _zone(bond, bar, concrete.prestress(loose), tuple(room.tolist()))
    return zone, np.minimum(bears, rupture)


@lru_cache(maxsize=16)
def _zone(bond: BondLaw, bar: Bar, prestress: float | None, room: tuple[float, ...]) -> BondZone:
    """Return bond between cracks, or with a `prestress` [Pa] towards the end of the beam.

    Kept, because its tables take long and the same lengths are asked for under several loads.
    """
    if prestress is None:
        return between_cracks(bond, bar, np.array(room))
    return towards_end(bond, bar, prestress, np.array(room))


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
