"""Steel as libraries take it: laws sampled, the constants from memory, and layers cut in pieces."""

from __future__ import annotations

from typing import Final

import numpy as np

from rig.mechanics.specimen import Specimen, Tendon
from tests.mechanics.drawn_sections import KSI, outline_of

LAYER: Final = 4
"""Into how many pieces beside each other a layer of steel is cut."""

POWER: Final = {
    "strand-270": (887.0, 27613.0, 112.4, 7.360, 270.0),
    "strand-250": (384.0, 27616.0, 119.7, 6.430, 250.0),
    "wire-250": (435.0, 28565.0, 125.1, 6.351, 250.0),
    "wire-235": (403.0, 28597.0, 133.1, 5.463, 235.0),
}
LAST_STRAIN: Final = 0.05
"""Where the tables of the power laws end; all sections stay below."""


def power_stress(preset: str, strain: float) -> float:
    """Return stress [MPa] at a strain above zero."""
    a, b, c, d, ultimate = POWER[preset]
    return min(strain * (a + b / (1 + (c * strain) ** d) ** (1 / d)), ultimate) * KSI / 1e6


def steel_points(tendon: Tendon) -> tuple[list[float], list[float]]:
    """Return strains and stresses [MPa] of a law from compression to tension."""
    law = tendon.law
    if law.kind == "bilinear":
        rising = [law.yield_stress / tendon.modulus, law.ultimate_strain]
        stress = [law.yield_stress / 1e6, law.ultimate / 1e6]
    else:
        rising = [*np.linspace(1e-4, 0.03, 300), LAST_STRAIN]
        stress = [power_stress(law.preset, strain) for strain in rising]
    strains = [*(-e for e in reversed(rising)), 0.0, *rising]
    return [float(e) for e in strains], [*(-s for s in reversed(stress)), 0.0, *stress]


def strain_of(tendon: Tendon) -> float:
    """Return the strain that belongs to a tendon's stress."""
    strains, stresses = steel_points(tendon)
    return float(np.interp(tendon.stress / 1e6, stresses, strains))


def placed(specimen: Specimen, depth: float) -> list[tuple[float, float]]:
    """Return where pieces of a layer lie [mm]: x from the axis, y from the bottom."""
    depths, widths = zip(*outline_of(specimen.section), strict=True)
    width = 1e3 * float(np.interp(depth, depths, widths))
    y = 1e3 * (specimen.section.height - depth)
    return [(float(x), y) for x in np.linspace(-0.36, 0.36, LAYER) * width]
