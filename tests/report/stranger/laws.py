"""Stress over strain of concrete, tendons and bars of a specimen file, as its words say.

Concrete of the rectangular block is linear up to 0.85 f, then flat; at the ultimate alone it has
the block of ACI 318, 22.2.2, over the upper beta1 of the compressed depth. The parabola-rectangle
has the exponent 2 of EN 1992-1-1, 3.1.7; a table goes straight from point to point. Tendons by the
power formula of R. K. Devalapura and M. K. Tadros, PCI Journal, March-April 1992 (constants from
memory), its strain scaled so that it begins with the tendon's own modulus; or bilinear. Bars
yield flat.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from quantities import AREA, LENGTH, STRESS, written

STRANDS = {
    "strand-270": (270.0, 887.0, 27613.0, 112.4, 7.360),
    "strand-250": (250.0, 384.0, 27616.0, 119.7, 6.430),
    "wire-250": (250.0, 435.0, 28565.0, 125.1, 6.351),
    "wire-235": (235.0, 403.0, 28597.0, 133.1, 5.463),
}
"""Grade, A and B [ksi], C and D [1]."""
KSI = STRESS["ksi"]
Law = Callable[[float], float]


@dataclass
class Steel:
    """A layer: stress by strain, and its strain where the concrete beside it has none.

    `given` is the stress of the file [Pa], under no moment where `at_rest`, else where the
    concrete has no strain; `fpy` what codes call the yield stress.
    """

    area: float
    depth: float
    modulus: float
    law: Law
    before: float = 0.0
    given: float = 0.0
    at_rest: bool = False
    bonded: bool = True
    fpy: float = 0.0

    def holding(self, stress: float) -> Steel:
        """Return the layer as a force that no strain changes."""
        return Steel(self.area, self.depth, self.modulus, lambda _: stress)


@dataclass
class Concrete:
    """Stress [Pa] by strain, compressed positive, with the strains where the law has kinks."""

    law: Callable[[Any], Any]
    kinks: list[float]


def tendon(table: dict[str, Any]) -> Steel:
    """Return a layer of tendons."""
    modulus, law = written(table["modulus"], STRESS), table["law"]
    if law["kind"] == "power":
        made, fpy = power(modulus, law)
    else:
        fpy, most = (written(law[name], STRESS) for name in ("yield", "ultimate"))
        made = bilinear(modulus, fpy, most, float(law["ultimate_strain"]))
    stress = written(table["stress"], STRESS)
    return Steel(
        written(table["area"], AREA),
        written(table["depth"], LENGTH),
        modulus,
        made,
        bisected(lambda e: made(e) - stress, 0.0, 0.03),
        stress,
        table["stress_at"] == "no moment",
        table["bond"] == "pre-tensioned",
        fpy,
    )


def bar(table: dict[str, Any]) -> Steel:
    """Return a layer of bars."""
    modulus, yields = (written(table[name], STRESS) for name in ("modulus", "yield"))
    law = bilinear(modulus, yields, yields, math.inf)
    return Steel(written(table["area"], AREA), written(table["depth"], LENGTH), modulus, law)


def power(modulus: float, law: dict[str, Any]) -> tuple[Law, float]:
    """Return the power formula of a tendon, and its stress at 1 % strain."""
    if "preset" in law:
        grade, a, b, c, d = STRANDS[law["preset"]]
        most, a, b = grade * KSI, a * KSI, b * KSI
    else:
        a, b = (written(text, STRESS) for text in law["constants"][:2])
        c, d = law["constants"][2:]
        most = written(law["ultimate"], STRESS)

    def stress(strain: float) -> float:
        e = abs(strain) * modulus / (a + b)
        found = a * e + b * e / (1.0 + (c * e) ** d) ** (1.0 / d)
        return math.copysign(min(found, most), strain)

    return stress, stress(0.01)


def bilinear(modulus: float, yields: float, most: float, strain_at_most: float) -> Law:
    """Return a law of two lines."""
    knee = yields / modulus
    slope = (most - yields) / (strain_at_most - knee) if math.isfinite(strain_at_most) else 0.0

    def stress(strain: float) -> float:
        size = abs(strain)
        found = modulus * size if size <= knee else min(yields + slope * (size - knee), most)
        return math.copysign(found, strain)

    return stress


def concretes(table: dict[str, Any]) -> tuple[Concrete, Concrete, float]:
    """Return the laws of a concrete in service and at the ultimate, and its ultimate strain."""
    f, peak = written(table["strength"], STRESS), float(table.get("peak_strain", 0.002))
    law = table.get("law", "parabola-rectangle")
    if law == "rectangular block":
        most, modulus = (
            float(table.get("ultimate_strain", 0.003)),
            written(table["modulus"], STRESS),
        )
        beta = max(0.65, min(0.85, 0.85 - 0.05 * (f / KSI - 4.0)))
        low = (1 - beta) * most
        block = Concrete(lambda e: np.where(e > low, 0.85 * f, 0.0), [low])
        end = 0.85 * f / modulus
        return Concrete(lambda e: np.clip(modulus * e, 0.0, 0.85 * f), [0.0, end]), block, most
    if law == "parabola-rectangle":
        curve = Concrete(lambda e: f * (1 - (1 - np.clip(e / peak, 0.0, 1.0)) ** 2), [0.0, peak])
        return curve, curve, float(table.get("ultimate_strain", 0.0035))
    points = [(float(e), written(s, STRESS)) for e, s in law["points"]]
    if points[0][0] > 0:
        points.insert(0, (0.0, 0.0))
    at, stress = zip(*points, strict=True)
    lines = Concrete(lambda e: np.where(e > 0, np.interp(e, at, stress), 0.0), list(at))
    return lines, lines, float(table.get("ultimate_strain", at[-1]))


def bisected(rising: Law, low: float, high: float) -> float:
    """Return where a function that rises is zero."""
    for _ in range(200):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)
    return middle
