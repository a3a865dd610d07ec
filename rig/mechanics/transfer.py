"""The length over which a pre-tensioned tendon passes its stress on at the ends of a beam.

Lengths and diameters [m], stresses [Pa]; `diameter` is that of one wire or strand. Formulas
of codes stand beside the length by a bond-slip law.

Sources
-------
[1] Equilibrium of a bar: its force over the bond on its perimeter.
[2] EN 1992-1-1, 8.10.2.2, (8.16): basic transmission length; factors from memory.
[3] ACI 318, 25.4.8: f_se d_b / 3000 in psi and inches; from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from rig.mechanics.bond_zone import Bar, between_cracks
from rig.mechanics.code_stress import PSI
from rig.mechanics.crack import Cracks
from rig.mechanics.laws import strength
from rig.mechanics.whole_concrete import whole_concrete

if TYPE_CHECKING:
    from rig.mechanics.bond_laws import BondLaw
    from rig.mechanics.either import Either
    from rig.mechanics.specimen import Specimen

_ACI: Final = 3000.0 * PSI
_SHAPES: Final = {"circular": 0.25, "strand": 0.19}  # alpha_2 [2]
_RELEASES: Final = {"gradual": 1.0, "sudden": 1.25}  # alpha_1 [2]


def anchored_length(stress: Either, diameter: float, bond: float) -> Either:
    """Return the length that an even bond stress needs for a stress: d f / (4 tau) [1]."""
    return diameter * stress / (4 * bond)


def eurocode_transfer_length(
    stress: Either, diameter: float, bond: float, shape: str = "strand", release: str = "gradual"
) -> Either:
    """Return the basic transmission length of a stress just after release [2].

    `bond` is the bond stress at release (`bond_laws.transmission`), `shape` "strand" or
    "circular", `release` "gradual" or "sudden".
    """
    return _RELEASES[release] * _SHAPES[shape] * diameter * stress / bond


def aci_transfer_length(stress: Either, diameter: float) -> Either:
    """Return the transfer length of an effective stress of strand [3]."""
    return stress / _ACI * diameter


def transfer_length(
    specimen: Specimen, bond: BondLaw, diameter: float | None = None
) -> tuple[float, ...]:
    """Return the length [m] over which each layer of tendons passes its prestress on at an end.

    By the slip that a bond law needs for it, without load on the beam; 0 for tendons without
    bond. Without a `diameter` a layer is one round bar.
    """
    concrete = whole_concrete(specimen, range(len(specimen.tendons)))
    cracks, found = Cracks(bond, None, diameter), []
    for i, tendon in enumerate(specimen.tendons):
        length = 0.0
        if not concrete.anchored[i]:
            bar = Bar(cracks.around(tendon), concrete.give(i), strength(tendon))
            energy = np.full(1, bar.give * concrete.prestress(i) ** 2 / 2)
            zone = between_cracks(bond, bar, np.full(1, np.inf))
            length = float(zone.reach(energy)[0])
        found.append(length)
    return tuple(found)
