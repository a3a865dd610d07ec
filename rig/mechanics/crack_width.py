"""Crack spacing and width, and stiffness between first crack and yield, by codes and papers.

For comparison with the bond models of `smeared` and `discrete`. Lengths [m], stresses [Pa];
depths from the top. Compression zone `axis` and steel stress are those of the cracked section.

Sources
-------
[1] EN 1992-1-1, 7.3.4: (7.8) to (7.11), 7.3.2(3) for the effective area; 7.4.3(3), (7.18) and
    (7.19) for the distribution. Formulas as publicly reproduced; k3 and k4 are nationally
    determined, here the recommended values.
[2] D. E. Branson 1965, in ACI 318 up to 2014: effective inertia; from memory.
[3] P. H. Bischoff 2005, in ACI 318-19: effective inertia, here with the whole cracking moment;
    from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from rig.mechanics.either import larger, smaller

if TYPE_CHECKING:
    from rig.mechanics.either import Either

RIBBED: Final = 0.8
"""Bond factor k1 of ribbed bars [1]."""

PLAIN: Final = 1.6
"""Bond factor k1 of plain bars and of tendons [1]."""

_BENDING, _COVERS, _DIAMETERS = 0.5, 3.4, 0.425  # k2, k3, k4 [1]


def tension_height(height: float, depth: float, axis: Either) -> Either:
    """Return the height of the concrete around steel at a depth that shares its tension [1]."""
    return smaller(smaller(2.5 * (height - depth), (height - axis) / 3), height / 2)


def widest_spacing(cover: float, diameter: float, ratio: Either, bond: float = RIBBED) -> Either:
    """Return the largest final spacing [m] of cracks in bending, (7.11) [1].

    `ratio` [1] is steel over the effective area of concrete, `bond` its factor k1.
    """
    return _COVERS * cover + bond * _BENDING * _DIAMETERS * diameter / ratio


def strain_difference(
    stress: Either, modulus: float, ratio: Either, tensile: float, n: float, kt: float = 0.4
) -> Either:
    """Return mean strain of steel less that of concrete between cracks, (7.9) [1].

    `n` [1] is the ratio of moduli, `tensile` [Pa] the strength at cracking, `kt` 0.6 for short
    and 0.4 for long or repeated loading.
    """
    stiffened = stress - kt * tensile / ratio * (1 + n * ratio)
    return larger(stiffened, 0.6 * stress) / modulus


def crack_width(spacing: Either, difference: Either) -> Either:
    """Return the width [m] of a crack: spacing times difference of strain, (7.8) [1]."""
    return spacing * difference


def cracked_share(at_cracking: Either, now: Either, repeated: bool = True) -> Either:
    """Return the share zeta of the cracked state, (7.19) [1]: 1 - beta (cracking / now)2.

    Of steel stresses or of moments, in the cracked section; 0 before cracking. beta is 1 at
    first loading and 0.5 for lasting or repeated loads.
    """
    left = (0.5 if repeated else 1.0) * (at_cracking / now) ** 2
    return smaller(larger(1 - left, 0.0), 1.0)


def eurocode_inertia(whole: float, cracked: float, share: Either) -> Either:
    """Return the inertia [m4] that deforms as a `share` of cracked and uncracked do, (7.18) [1]."""
    return 1 / (share / cracked + (1 - share) / whole)


def branson_inertia(whole: float, cracked: float, ratio: Either) -> Either:
    """Return the effective inertia [m4]; `ratio` [1] is cracking moment over moment [2]."""
    share = smaller(ratio, 1.0) ** 3
    return share * whole + (1 - share) * cracked


def bischoff_inertia(whole: float, cracked: float, ratio: Either) -> Either:
    """Return the effective inertia [m4]; `ratio` [1] is cracking moment over moment [3]."""
    return cracked / (1 - smaller(ratio, 1.0) ** 2 * (1 - cracked / whole))
