"""A prediction as one object for scripts: SI, with the unit in each name."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from rig.mechanics.code_stress import by_code
from rig.mechanics.concrete_formulas import fatigue_strain
from rig.mechanics.concrete_limits import cracking_lives
from rig.mechanics.damage import cycles, first_part, miner_sum
from rig.mechanics.debonding import SMEARED, deflection_as_built
from rig.mechanics.life import SURROUNDINGS
from rig.mechanics.prediction import (
    first_frequencies,
    hardest_tendon,
    limits_of,
    lowest,
    with_bond,
)
from rig.mechanics.section import uncracked_state

if TYPE_CHECKING:
    from rig.commands.predict import Subject
    from rig.mechanics.debonding import Curve
    from rig.mechanics.life import Life, StressLimit
    from rig.mechanics.prediction import AtLoad, Prediction
    from rig.mechanics.shapes import SectionProperties
    from rig.report.debonded_length import Measured

LEAST_SWING: Final = 0.8
"""R up to which the strain at failure is known (Holmen 1982; from memory)."""

SIZE: Final = 1.6
"""Less the height [m]: tensile strength in bending over the axial one (EN 1992-1-1, (3.23);
from memory)."""


def predicted_object(
    subject: Subject, told: Prediction, curves: Sequence[Curve], runs: Sequence[Measured]
) -> dict[str, object]:
    """Return all that was predicted; null where a number is not known or not finite."""
    height = told.specimen.section.height
    ultimate = told.ultimate
    return {
        "title": subject.title,
        "specimen": told.specimen.name,
        "exposure": told.exposure,
        "upper_N": subject.upper,
        "lower_N": subject.lower,
        "capacity_N": told.capacity,
        "section": _section(told.section, height),
        "gross_section": {
            **_section(told.gross, height),
            "decompression_moment_Nm": told.gross_decompression,
            "cracking_moment_Nm": told.gross_cracking,
        },
        "self_weight_moment_Nm": told.own_moment,
        "decompression": _at_moment(told, told.decompression),
        "cracking": _at_moment(told, told.cracking),
        "ultimate": {
            **_at_moment(told, ultimate.moment),
            "neutral_axis_m": _finite(ultimate.neutral_axis),
            "tendon_stress_Pa": _finite(lowest(told.specimen, ultimate.tendon_stress)),
            "tendon_stresses_Pa": [_finite(stress) for stress in ultimate.tendon_stress],
            "code_tendon_stress_Pa": _finite(lowest(told.specimen, by_code(told.specimen))),
            "part": ultimate.part,
        },
        "first_frequency_Hz": dict(
            zip(("uncracked", "cracked"), first_frequencies(told.specimen), strict=True)
        ),
        "at_upper": _at_upper(told, curves),
        "levels": _levels(told),
        "lives": [_life(life, subject) for life in told.lives],
        "first_part": _first_part(told.lives),
        "first_crack": [_life(life, subject) for life in _first_crack(told)],
        "stress_limits": [_limit(limit) for limit in _limits(told)],
        "measured": [_measured(run) for run in runs],
    }


def _section(section: SectionProperties, height: float) -> dict[str, float]:
    return {
        "area_m2": section.area,
        "inertia_m4": section.inertia,
        "bottom_modulus_m3": section.bottom_modulus(height),
        "centroid_m": section.centroid,
    }


def _at_moment(told: Prediction, moment: float) -> dict[str, float | None]:
    return {"moment_Nm": _finite(moment), "actuator_load_N": _finite(told.load_of(moment))}


def _at_upper(told: Prediction, curves: Sequence[Curve]) -> dict[str, Any] | None:
    if told.upper is None or told.lower is None:
        return None
    # With bond, whatever the specimen is built like; then as it is built.
    bonded = next((c.deflection for c in curves if c.model == SMEARED), None)
    return {
        "bonded": {
            **_stresses(
                told, *(with_bond(told.specimen, s.load) for s in (told.lower, told.upper))
            ),
            "deflection_m": None if bonded is None else _finite(bonded[0]),
        },
        "as_built": {
            **_stresses(told, told.lower, told.upper),
            "deflection_m": _finite(deflection_as_built(told.specimen, told.upper.load)),
        },
        "debonded": [row for curve in curves for row in _rows(curve)],
    }


def _rows(curve: Curve) -> list[dict[str, Any]]:
    """Return an object for each debonded length of a curve."""
    return [
        {
            "model": curve.model,
            "length_m": float(length),
            "tendon_stress_Pa": _finite(curve.tendon_stress[i]),
            "tendon_range_Pa": _finite(curve.tendon_range[i]),
            "concrete_top_Pa": _finite(curve.concrete_top[i]),
            "deflection_m": None if curve.deflection is None else _finite(curve.deflection[i]),
            "ultimate_moment_Nm": None
            if curve.ultimate_moment is None
            else _finite(curve.ultimate_moment[i]),
            "crack_spacing_m": curve.spacing,
            "crack_opening_m": None if curve.opening is None else _finite(curve.opening[i]),
        }
        for i, length in enumerate(curve.length)
    ]


def _stresses(told: Prediction, low: AtLoad, high: AtLoad) -> dict[str, float | None]:
    hardest = hardest_tendon(low, high)
    return {
        "tendon_stress_Pa": _finite(lowest(told.specimen, high.tendon_stress)),
        "tendon_range_Pa": None if hardest is None else _finite(hardest.range),
        "concrete_top_Pa": _finite(high.concrete_top),
    }


def _levels(told: Prediction) -> dict[str, float | None] | None:
    """Return the levels; `strain_at_failure` of the top is over that of its first loading."""
    if told.levels is None:
        return None
    most, least = told.levels.concrete_max, told.levels.concrete_min
    known = 0.0 < most < 1.0 and least <= LEAST_SWING * most
    return {
        "strain_at_failure": float(fatigue_strain(most, least / most)) if known else None,
        "load": told.levels.load,
        "concrete_max": _finite(told.levels.concrete_max),
        "concrete_min": _finite(told.levels.concrete_min),
        "tendon_range_Pa": _finite(told.levels.tendon_range),
    }


def _life(life: Life, subject: Subject) -> dict[str, Any]:
    """Return a life; `log10_cycles` is null where it has no end.

    `damage_at_run_out` is the share of it that the cycles of a protocol take, null without one.
    """
    cyclic = subject.plan.cyclic if subject.plan is not None else None
    last = cycles(float(life.log10_cycles))
    return {
        "model": life.model,
        "part": life.part,
        "exposure": life.exposure,
        "log10_cycles": _finite(life.log10_cycles),
        "damage_at_run_out": _finite(miner_sum([cyclic.run_out], [last])) if cyclic else None,
        "kind": life.kind,
        "valid": life.valid,
        "why": life.why,
        "source": life.source,
    }


def _first_part(lives: Sequence[Life]) -> dict[str, Any] | None:
    """Return which part goes first by mean lives; "part" is "" where none ends."""
    if not lives:
        return None
    found = first_part(lives)
    return {
        "part": found.part,
        "log10_cycles": _finite(found.log10_cycles),
        "sure": found.sure,
    }


def _first_crack(told: Prediction) -> Sequence[Life]:
    """Return how long the bottom stays uncracked, none where it has cracked or is never pulled."""
    if told.lower is None or told.upper is None or not told.upper.moment < told.cracking:
        return ()
    most, least = (
        -uncracked_state(told.specimen, at.moment).concrete_bottom
        for at in (told.upper, told.lower)
    )
    if not most > 0:
        return ()
    rupture = told.specimen.concrete.tensile_strength
    axial = rupture / max(SIZE - told.specimen.section.height, 1.0)
    return cracking_lives(rupture, axial, most, least, SURROUNDINGS[told.exposure])


def _limits(told: Prediction) -> Sequence[StressLimit]:
    if told.lower is None or told.upper is None or not told.lives:
        return ()
    return limits_of(told.specimen, told.lower, told.upper)


def _limit(limit: StressLimit) -> dict[str, Any]:
    return {
        "model": limit.model,
        "part": limit.part,
        "limit_Pa": _finite(limit.limit),
        "kept": limit.kept,
        "source": limit.source,
    }


def _measured(run: Measured) -> dict[str, Any]:
    return {
        "run": run.label,
        "cycle": [int(number) for number in run.number],
        "load_N": [_finite(load) for load in run.load],
        "crack_opening_m": [_finite(opening) for opening in run.opening],
        "debonded_length_m": [_finite(length) for length in run.length],
    }


def _finite(value: Any) -> float | None:
    # JSON knows neither infinity nor what is no number.
    return float(value) if value is not None and math.isfinite(value) else None
