"""Stress over strain of concrete, tendons and bars.

Concrete is positive in compression and carries no tension; steel is positive in tension and the
same both ways. Stress [Pa], strain [1].

Sources
-------
[1] EN 1992-1-1, 3.1.7(1): parabola-rectangle, here always with the exponent 2 that holds up to
    50 MPa.
[2] ACI 318, 22.2.2: rectangular block, 0.85 f over beta1 c.
[3] R. K. Devalapura, M. K. Tadros, PCI Journal, March-April 1992: power formula of prestressing
    steel. Its constants are from memory; the tests show that each curve passes through the yield
    stress it is made for at 1 % strain.
[4] ASTM A416: a strand stretches at least 3.5 % before it breaks; from memory, and taken for
    wire as well.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final, NamedTuple, overload

from rig.mechanics.either import chosen, magnitude, smaller
from rig.mechanics.specimen import Bar, Concrete, SteelLaw, Tendon

if TYPE_CHECKING:
    from rig.mechanics.either import Either
    from rig.samples import FloatArray

KSI: Final = 6.894757293168361e6
"""Pa in one ksi, exact by definition: the presets of tendons carry their grade in ksi."""

PRESETS: Final = {
    "strand-270": (270.0, (887.0, 27613.0, 112.4, 7.360)),
    "strand-250": (250.0, (384.0, 27616.0, 119.7, 6.430)),
    "wire-250": (250.0, (435.0, 28565.0, 125.1, 6.351)),
    "wire-235": (235.0, (403.0, 28597.0, 133.1, 5.463)),
}
"""Grade and A, B [ksi], C, D [1] of the power formula [3]; from memory."""

POWER_RUPTURE: Final = 0.035
"""Strain at which a tendon of the power formula breaks [4]."""

BLOCK_STRESS: Final = 0.85
"""Stress of the rectangular block over the strength [2]."""


class Stretch(NamedTuple):
    """Stress c0 + c1 e + c2 e2 [Pa] for strains e from `low` to `high`."""

    low: float
    high: float
    c0: float
    c1: float
    c2: float = 0.0


def stretches(concrete: Concrete) -> tuple[Stretch, ...]:
    """Return the law of a concrete by polynomials; below the first there is no stress.

    The rectangular block belongs to the ultimate state alone (`block_stretches`); under less load
    its concrete is linear up to 0.85 f, then flat. The last stretch has no end: what breaks at
    the ultimate strain is not the law's business.
    """
    f, peak = concrete.strength, concrete.peak_strain
    if concrete.law == "points":
        return _by_points(concrete.law_points)
    if concrete.law == "rectangular block":
        flat = BLOCK_STRESS * f
        end = flat / concrete.modulus
        return Stretch(0.0, end, 0.0, concrete.modulus), Stretch(end, math.inf, flat, 0.0)
    parabola = Stretch(0.0, peak, 0.0, 2 * f / peak, -f / peak**2)
    return parabola, Stretch(peak, math.inf, f, 0.0)


def block_stretches(concrete: Concrete) -> tuple[Stretch, ...]:
    """Return the rectangular block of the ultimate state, over the upper beta1 c."""
    low = (1 - block_depth(concrete.strength)) * concrete.ultimate_strain
    return (Stretch(low, math.inf, BLOCK_STRESS * concrete.strength, 0.0),)


def block_depth(strength: float) -> float:
    """Return beta1, depth of the block over that of the neutral axis [2].

    0.85 up to 4000 psi, less 0.05 for each 1000 psi more, at least 0.65.
    """
    return max(0.65, min(0.85, 0.85 - 0.05 * (strength / KSI - 4.0)))


def _by_points(points: tuple[tuple[float, float], ...]) -> tuple[Stretch, ...]:
    if points[0][0] > 0:
        points = ((0.0, 0.0), *points)
    found = []
    for (e, s), (e2, s2) in pairwise(points):
        slope = (s2 - s) / (e2 - e)
        found.append(Stretch(e, e2, s - slope * e, slope))
    return (*found, Stretch(points[-1][0], math.inf, points[-1][1], 0.0))


def concrete_stress(concrete: Concrete, strain: Either) -> Either:
    """Return the stress of concrete [Pa], compression positive; none in tension."""
    stress: Either = 0.0 * strain
    for part in stretches(concrete):
        inside = (strain > part.low) & (strain <= part.high)
        stress = chosen(inside, part.c0 + strain * (part.c1 + strain * part.c2), stress)
    return stress


@overload
def steel_stress(law: SteelLaw, modulus: float, strain: float) -> float: ...
@overload
def steel_stress(law: SteelLaw, modulus: float, strain: FloatArray) -> FloatArray: ...
@overload
def steel_stress(law: SteelLaw, modulus: float, strain: Either) -> Either: ...
def steel_stress(law: SteelLaw, modulus: float, strain: Either) -> Either:
    """Return the stress of steel [Pa], tension positive, odd in strain.

    Laws of a file are "bilinear" and "power"; "linear" and "no tension" serve elastic sections.

    The power formula is stretched along the strain, so that it begins with the steel's own
    modulus whatever that of its constants is.
    """
    if law.kind == "linear":
        return modulus * strain
    if law.kind == "no tension":
        return modulus * smaller(strain, 0.0)
    size, sign = magnitude(strain), chosen(strain < 0, -1.0, 1.0)
    if law.kind == "bilinear":
        knee = law.yield_stress / modulus
        hard = law.yield_stress + _hardening(law, modulus) * (size - knee)
        return sign * smaller(smaller(modulus * size, hard), law.ultimate)
    a, b, c, d = _constants(law)
    e = size * modulus / (a + b)
    return sign * smaller(e * (a + b * (1 + (c * e) ** d) ** (-1 / d)), ultimate_of(law))


@overload
def steel_tangent(law: SteelLaw, modulus: float, strain: float) -> float: ...
@overload
def steel_tangent(law: SteelLaw, modulus: float, strain: FloatArray) -> FloatArray: ...
@overload
def steel_tangent(law: SteelLaw, modulus: float, strain: Either) -> Either: ...
def steel_tangent(law: SteelLaw, modulus: float, strain: Either) -> Either:
    """Return the slope of the stress of steel over its strain [Pa]."""
    if law.kind == "linear":
        return modulus + 0.0 * strain
    if law.kind == "no tension":
        return chosen(strain < 0, modulus, 0.0)
    size = magnitude(strain)
    if law.kind == "bilinear":
        flat = chosen(size > law.ultimate_strain, 0.0, _hardening(law, modulus))
        return chosen(size > law.yield_stress / modulus, flat, modulus)
    a, b, c, d = _constants(law)
    scale = modulus / (a + b)
    slope = scale * (a + b * (1 + (c * size * scale) ** d) ** (-1 / d - 1))
    return chosen(steel_stress(law, modulus, size) >= ultimate_of(law), 0.0, slope)


def steel_strain(law: SteelLaw, modulus: float, stress: float) -> float:
    """Return the least strain at which steel has a stress [Pa]; nan beyond its strength."""
    if law.kind == "linear":
        return stress / modulus
    size = abs(stress)
    if size > ultimate_of(law):
        return math.nan
    if law.kind == "bilinear":
        more = size - law.yield_stress
        strain = size / modulus
        if more > 0:
            strain = law.yield_stress / modulus + more / _hardening(law, modulus)
        return math.copysign(strain, stress)
    low, high = size / modulus, size / (modulus * _constants(law)[0] / sum(_constants(law)[:2]))
    for _ in range(200):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        short = steel_stress(law, modulus, middle) < size
        low, high = (middle, high) if short else (low, middle)
    return math.copysign(high, stress)


@lru_cache(maxsize=64)
def steel_bends(law: SteelLaw, modulus: float) -> tuple[float, ...]:
    """Return the strains above zero at which the stress of steel bends, in order.

    There its slope jumps, or changes fastest: where the power formula leaves its first line.
    """
    if law.kind == "bilinear":
        return law.yield_stress / modulus, law.ultimate_strain
    if law.kind != "power":
        return ()
    a, b, c, _ = _constants(law)
    return tuple(sorted(((a + b) / (c * modulus), steel_strain(law, modulus, ultimate_of(law)))))


def strength(tendon: Tendon) -> float:
    """Return a tendon's ultimate stress [Pa]: from its law, or the grade of its preset."""
    return ultimate_of(tendon.law)


def ultimate_of(law: SteelLaw) -> float:
    """Return the ultimate stress [Pa] of a law; infinite for a linear one."""
    if law.ultimate:
        return law.ultimate
    return PRESETS[law.preset][0] * KSI if law.preset else math.inf


def rupture_strain(tendon: Tendon) -> float:
    """Return the strain [1] at which a tendon breaks."""
    return tendon.law.ultimate_strain or POWER_RUPTURE


def bar_law(bar: Bar) -> SteelLaw:
    """Return the law of a bar: linear, then flat, without an end."""
    return SteelLaw("bilinear", bar.yield_stress, bar.yield_stress, math.inf)


def _constants(law: SteelLaw) -> tuple[float, float, float, float]:
    """Return A, B [Pa], C, D [1]."""
    if law.preset:
        a, b, c, d = PRESETS[law.preset][1]
        return a * KSI, b * KSI, c, d
    a, b, c, d = law.constants
    return a, b, c, d


def _hardening(law: SteelLaw, modulus: float) -> float:
    """Return the slope [Pa] beyond yield."""
    rise = law.ultimate - law.yield_stress
    return max(0.0, rise) / max(law.ultimate_strain - law.yield_stress / modulus, 1e-12)
