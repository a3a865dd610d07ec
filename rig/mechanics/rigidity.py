"""Bending stiffness EI [N m2] of a section that is whole, and of one that is cracked."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from rig.mechanics.code_stress import held_by_code
from rig.mechanics.section import (
    UNBONDED,
    cracked_state,
    decompression_moment,
    prestress,
    state_at,
    transformed,
    ultimate,
    uncracked_state,
)
from rig.mechanics.shapes import gross
from rig.mechanics.specimen import Specimen

_FAR: Final = 0.9
"""Share of the ultimate moment up to which a section without bond is softened evenly: there
steel begins to yield (common practice, no source)."""


def uncracked_rigidity(specimen: Specimen) -> float:
    """Return the stiffness of the whole section, bonded steel included."""
    return specimen.concrete.modulus * transformed(specimen).inertia


def cracked_rigidity(specimen: Specimen) -> float:
    """Return the tangent stiffness well above decompression, never more than uncracked.

    With bond that of the elastic section without tension and without axial force, which the
    tangent comes near to. A tendon without bond makes no such section: then it is the mean from
    decompression to `_FAR`, its stress rising evenly to what a code gives it at the end.
    """
    whole = uncracked_rigidity(specimen)
    if any(t.bond == UNBONDED for t in specimen.tendons):
        return min(whole, _mean_rigidity(specimen))
    loose = replace(specimen, tendons=tuple(replace(t, stress=0.0) for t in specimen.tendons))
    # Without prestress a section is as soft under any moment: one that strains it as tests do.
    moment = specimen.concrete.strength * gross(specimen.section).area * specimen.section.height
    return min(whole, 0.02 * moment / cracked_state(loose, 0.02 * moment).curvature)


def _mean_rigidity(specimen: Specimen) -> float:
    end = held_by_code(specimen)
    least, most = decompression_moment(specimen), ultimate(specimen, end).moment
    far = _FAR * most
    if not least < far:
        return uncracked_rigidity(specimen)
    share = (far - least) / (most - least)
    held = [
        None if last is None else first + share * (last - first)
        for first, last in zip(prestress(specimen), end, strict=True)
    ]
    bent = state_at(specimen, far, held).curvature
    return (far - least) / (bent - uncracked_state(specimen, least).curvature)
