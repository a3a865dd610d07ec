"""What our mechanics says of a section, under the names that the table of oracles uses.

Each takes a section and what a library told of it, for the moments at which to look.
"""

from __future__ import annotations

from rig.mechanics.section import cracked_state, cracking_moment, state_at, ultimate
from rig.mechanics.specimen import Specimen

OPEN = 1.2
"""Moment of the cracked elastic state over the cracking moment."""
SERVICE = 0.7
"""Moment of the strains that are kept over the ultimate moment."""

Values = dict[str, float]


def at_ultimate(specimen: Specimen, _: Values) -> Values:
    end = ultimate(specimen)
    assert end.part == "concrete"
    return {"ultimate_Nm": end.moment, "neutral_axis_m": end.neutral_axis}


def at_cracking(specimen: Specimen, _: Values) -> Values:
    return {"cracking_Nm": cracking_moment(specimen)}


def cracked(specimen: Specimen, told: Values) -> Values:
    state = cracked_state(specimen, OPEN * told["cracking_Nm"])
    return {
        "open_axis_m": state.neutral_axis,
        "open_top_Pa": state.concrete_top,
        "open_tendon_Pa": state.tendon_stress[0],
    }


def in_service(specimen: Specimen, told: Values) -> Values:
    """Return strains; none where the library told none (of a rectangular block)."""
    if "top_strain" not in told:
        return {}
    state = state_at(specimen, SERVICE * told["ultimate_Nm"])
    return {"top_strain": state.top_strain, "curvature_per_m": state.curvature}


def at_breaking(specimen: Specimen, _: Values) -> Values:
    end = ultimate(specimen)
    assert end.part == "tendon"
    return {"ultimate_Nm": end.moment, "top_strain": end.top_strain}


STATES = (at_ultimate, at_cracking, cracked, in_service)
