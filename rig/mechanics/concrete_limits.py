"""What codes allow of concrete's stress for millions of cycles, and when it first cracks.

The constants are data; those marked from memory claim no conformity to any standard.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rig.mechanics import concrete_formulas as formulas
from rig.mechanics.concrete_formulas import TINY, Constants
from rig.mechanics.concrete_life import characteristic, fatigue_strength_mc90
from rig.mechanics.either import chosen, larger, smaller
from rig.mechanics.life import (
    FROM_MEMORY,
    Life,
    StressLimit,
    Surrounding,
    everywhere,
    first_reason,
)

if TYPE_CHECKING:
    from rig.mechanics.either import Either

PCA_FLEXURE: Final[Constants] = {
    "A": 0.97187,
    "B": 0.0828,
    "D": 4.2577,
    "least": 0.4325,
    "power": 3.268,
    "knee": 0.55,
    "unlimited": 0.45,
}
"""Plain concrete in repeated bending (Portland Cement Association, from memory)."""

TENSION: Final[Constants] = {"C": 12.0}
TENSION_COMPRESSION: Final[Constants] = {"C": 9.0}
"""Lines of fib MC2010 in tension, and where a cycle goes through zero (from memory)."""

LEAST_TENSILE: Final = 0.7
"""5 % fractile over mean tensile strength (EN 1992-1-1, table 3.1; from memory)."""


def cracking_lives(
    rupture: float, tensile: float, bottom_max: Either, bottom_min: Either, exposure: Surrounding
) -> tuple[Life, ...]:
    """Return how long an uncracked edge stays so under repeated tension.

    Modulus of rupture and mean axial tensile strength [Pa]; largest and smallest TENSION of the
    edge [Pa], the smallest negative where it is pressed. Plain concrete: it says when the first
    crack comes, not when the specimen fails.
    """
    level = larger(bottom_max, 0.0) / (LEAST_TENSILE * tensile)
    axial = chosen(
        bottom_min < 0.0,
        formulas.straight_tension(TENSION_COMPRESSION, level),
        formulas.straight_tension(TENSION, level),
    )
    bent = formulas.flexural_tension(PCA_FLEXURE, larger(bottom_max, 0.0) / rupture)
    dry = first_reason((exposure == "air", "has no constants for water: those of air are used"))
    reversing = first_reason((bottom_min >= 0.0, "is made for bending that does not reverse"))
    return (
        Life(
            "PCA flexure, first crack",
            "concrete",
            exposure,
            bent,
            "characteristic",
            not (dry or reversing),
            dry or reversing,
            f"Portland Cement Association, plain concrete in bending, {FROM_MEMORY}",
        ),
        Life(
            "MC2010 tension, first crack",
            "concrete",
            exposure,
            axial,
            "characteristic",
            not dry,
            dry,
            f"fib Model Code 2010, 5.1.11.1.1, tension, {FROM_MEMORY}",
        ),
    )


def concrete_limits(strength: float, top_max: Either, top_min: Either) -> tuple[StressLimit, ...]:
    """Return what codes allow of the largest compression [Pa] at its smallest, for a mean strength.

    EN 1992-1-1 (6.77) without partial factors; ACI 215R for ten million cycles.
    """
    f_ck = characteristic(strength)
    low = larger(top_min, 0.0)
    f_fat = fatigue_strength_mc90(f_ck)
    en = smaller(0.5 * f_fat + 0.45 * low, (0.9 if f_ck <= 50e6 else 0.8) * f_fat)
    aci = low + larger(0.40 * f_ck * (1 - low / max(0.75 * f_ck, TINY)), 0.0)
    return (
        StressLimit(
            "EN 1992-1-1 (6.77)",
            "concrete",
            en,
            everywhere(top_max <= en),
            "EN 1992-1-1 (6.77), without partial factors; seen second-hand",
        ),
        StressLimit(
            "ACI 215R concrete",
            "concrete",
            aci,
            everywhere(top_max <= aci),
            f"ACI 215R-74, range 0.40 f'c falling to none at 0.75 f'c, {FROM_MEMORY}",
        ),
    )
