"""What no specimen can be: crushed by its own prestress, broken by its own weight, half of steel.

That much is no prediction about a test but a slip in the file, and refused. What a sound specimen
will do is foreseen elsewhere, and warned of.
"""

from __future__ import annotations

import math
from typing import Final

from rig.mechanics.code_stress import ultimate_by_code
from rig.mechanics.equilibrium import prestrains
from rig.mechanics.laws import PRESETS
from rig.mechanics.shapes import gross, self_moment
from rig.mechanics.specimen import Specimen, SteelLaw
from rig.protocol.document import Document
from rig.protocol.fields import spoken
from rig.protocol.position import Path

_MOST_STEEL: Final = 0.15
"""Share of the section that steel may take."""

_TENSION: Final = 1 / 3
"""Tensile strength over strength that no concrete has."""

_APART: Final = 1.2
"""By how much A + B of a power law and the modulus of its tendon may differ."""


def check_sense(document: Document, specimen: Specimen) -> None:
    """Note in its document what makes a specimen impossible."""
    concrete, section = specimen.concrete, specimen.section
    before = len(document.problems)
    if concrete.tensile_strength > _TENSION * concrete.strength:
        document.refuse(
            ("concrete", "tensile_strength"),
            f"{document.written(('concrete', 'tensile_strength'))} is more than a third of the "
            f"strength {document.written(('concrete', 'strength'))}",
            "give what it bears in tension, about a tenth of it",
        )
    for i, tendon in enumerate(specimen.tendons):
        _check_law(document, ("tendon", i, "law"), tendon.law, tendon.modulus)
    layers = [("tendon", i, t.area) for i, t in enumerate(specimen.tendons)]
    layers += [("bar", i, b.area) for i, b in enumerate(specimen.bars)]
    for name, i, area in layers:
        share = area / gross(section).area
        if share > _MOST_STEEL:
            document.refuse(
                (name, i, "area"),
                f"{document.written((name, i, 'area'))} is {100 * share:.0f} % of the section",
                "give the area of the steel of this layer",
            )
    if len(document.problems) == before:
        _check_bearing(document, specimen)


def _check_law(document: Document, path: Path, law: SteelLaw, modulus: float) -> None:
    if law.kind == "bilinear":
        # Steel that hardens more than it was stiff has no such law: its lines would cross.
        least = law.ultimate / modulus
        if law.ultimate_strain <= least:
            document.refuse(
                (*path, "ultimate_strain"),
                f"{law.ultimate_strain:g} is no more than the {least:.3g} at which it would have "
                "its ultimate stress without yielding",
                "give the strain at which it breaks, such as 0.035",
            )
    elif law.preset not in PRESETS:
        begins = law.constants[0] + law.constants[1]
        if not 1 / _APART <= begins / modulus <= _APART:
            document.refuse(
                (*path, "constants"),
                f"begin with {begins / 1e9:.4g} GPa (the sum of the first two), the modulus is "
                f"{modulus / 1e9:.4g} GPa",
                "correct one of them",
            )


def _check_bearing(document: Document, specimen: Specimen) -> None:
    """Note prestress that crushes the section, and self weight that breaks it."""
    most = ultimate_by_code(specimen).moment
    if any(math.isnan(p) for p in prestrains(specimen)) or math.isnan(most):
        force = sum(t.area * t.stress for t in specimen.tendons)
        document.refuse(
            ("tendon", 0, "stress") if specimen.tendons else ("concrete", "strength"),
            f"{spoken(force, 'kN')} of prestress crush the concrete before any load",
            "correct stress, area or depth of the tendons, or the concrete's strength",
        )
        return
    weight = self_moment(specimen)
    if weight >= most:
        document.refuse(
            ("geometry", "span"),
            f"{document.written(('geometry', 'span'))}: self weight makes "
            f"{spoken(weight, 'kNm')}, and the section bears {spoken(most, 'kNm')}",
            "correct span, section or steel",
        )
