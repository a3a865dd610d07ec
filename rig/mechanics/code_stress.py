"""The stress of tendons at the ultimate moment by the formulas of a code, no section solved.

Stresses [Pa], `ratio` the area of the tendons over width times their depth [1]. The formulas ask
for an effective stress of at least half the strength.

Sources
-------
[1] ACI 318, bonded and unbonded tendons, psi: as printed in NAVFAC DM-2.08, pages 221 and 222.
[2] ACI 318M-19, table 20.3.2.4.1, SI: from public notes. The factors of the bonded formula are
    those of ACI 318-19.
"""

from __future__ import annotations

import math
from typing import Final, Literal

from rig.mechanics.laws import block_depth, steel_stress, strength
from rig.mechanics.section import UNBONDED, Ultimate, prestress, ultimate
from rig.mechanics.shapes import pieces
from rig.mechanics.specimen import Specimen, Tendon

PSI: Final = 6894.757293168361
"""Pa in one psi, exact by definition."""

LEAST_EFFECTIVE: Final = 0.5
"""Effective stress over strength from which the formula of bonded tendons holds [1]."""

SLENDER: Final = 35.0
"""Span over depth above which an unbonded tendon gains less [1]."""

_FACTORS: Final = ((0.90, 0.28), (0.85, 0.40), (0.80, 0.55))
"""Yield over strength from which the factor gamma_p holds [2]."""

_GAINS: Final = {
    "psi": {False: (10_000 * PSI, 100.0, 60_000 * PSI), True: (10_000 * PSI, 300.0, 30_000 * PSI)},
    "SI": {False: (70e6, 100.0, 420e6), True: (70e6, 300.0, 210e6)},
}
"""Base, divisor and most of the gain of an unbonded tendon, whether slender [1, 2]."""


def yield_stress(tendon: Tendon) -> float:
    """Return what the codes call the yield stress [Pa]: that of the law, or at 1 % strain."""
    return tendon.law.yield_stress or float(steel_stress(tendon.law, tendon.modulus, 0.01))


def bonded_stress(fpu: float, fpy: float, concrete: float, ratio: float) -> float:
    """Return the stress of a bonded tendon: fpu (1 - gamma_p / beta1 ratio fpu / f'c) [1].

    No bars. nan for a steel whose yield is under 80 % of its strength.
    """
    factor = next((g for share, g in _FACTORS if fpy >= share * fpu), math.nan)
    return fpu * (1 - factor / block_depth(concrete) * ratio * fpu / concrete)


def unbonded_stress(
    fse: float,
    fpy: float,
    concrete: float,
    ratio: float,
    slenderness: float,
    form: Literal["SI", "psi"] = "SI",
) -> float:
    """Return the stress of an unbonded tendon: fse + base + f'c / (100 or 300 ratio) [1, 2].

    No more than `fpy` and than a fixed gain; `slenderness` is the span over the height. The two
    forms of the code differ by rounding.
    """
    base, divisor, most = _GAINS[form][slenderness > SLENDER]
    return min(fse + min(base + concrete / (divisor * ratio), most), fpy)


def by_code(specimen: Specimen) -> tuple[float, ...]:
    """Return the stress [Pa] of each tendon at the ultimate moment, bonded or not [1, 2].

    Bonded ones count together, at their common depth, and without bars; nan for one of too soft a
    steel, or of less effective stress than the formula asks for. An unbonded one is told all the
    same: less stress than that gains no less.
    """
    concrete = specimen.concrete.strength
    bonded = [t for t in specimen.tendons if t.bond != UNBONDED]
    ratio = _ratio(specimen, bonded)
    found = []
    layers = zip(specimen.tendons, prestress(specimen), held_by_code(specimen), strict=True)
    for tendon, effective, held in layers:
        if held is None:
            enough = effective >= LEAST_EFFECTIVE * strength(tendon)
            by_formula = bonded_stress(strength(tendon), yield_stress(tendon), concrete, ratio)
            held = by_formula if enough else math.nan
        found.append(held)
    return tuple(found)


def held_by_code(specimen: Specimen) -> list[float | None]:
    """Return the stress [Pa] of unbonded tendons at the ultimate moment [2]; None for bonded ones.

    Unbonded ones count together, at their common depth.
    """
    slenderness = specimen.section.span / specimen.section.height
    ratio = _ratio(specimen, [t for t in specimen.tendons if t.bond == UNBONDED])
    concrete = specimen.concrete.strength
    return [
        unbonded_stress(stress, min(yield_stress(t), strength(t)), concrete, ratio, slenderness)
        if t.bond == UNBONDED
        else None
        for t, stress in zip(specimen.tendons, prestress(specimen), strict=True)
    ]


def _ratio(specimen: Specimen, tendons: list[Tendon]) -> float:
    """Return the area of tendons over the width at the top times their common depth."""
    area = sum(t.area for t in tendons)
    if not area:
        return 0.0
    depth = sum(t.area * t.depth for t in tendons) / area
    return area / (pieces(specimen.section)[0].width_top * depth)


def ultimate_by_code(specimen: Specimen) -> Ultimate:
    """Return the ultimate state with the stress of unbonded tendons by the code [2]."""
    return ultimate(specimen, held_by_code(specimen))
