"""A comparison as one object for scripts: cycles, natural logarithms, SI."""

from __future__ import annotations

import math
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from rig.lives.comparison import FORMS, MODELS
from rig.lives.doubted import merged
from rig.lives.fieller import moments
from rig.lives.hypotheses import RULE, Verdict
from rig.lives.words import words_of

if TYPE_CHECKING:
    from rig.lives.comparison import Comparison, GroupTold, LifePair, UltimatePair
    from rig.lives.fits import Lognormal, Weibull
    from rig.lives.grouped import UltimateGroup
    from rig.lives.service import ServiceLife
    from rig.lives.sn import SN


def compared_object(told: Comparison, years: ServiceLife | None = None) -> dict[str, object]:
    """Return all that was compared; null where a number is not known or not finite.

    `years` are of a place in service, where one was asked for.
    """
    return {
        "title": told.title,
        "words": list(words_of(told)),
        "counts": _counts(told),
        "mode": told.mode,
        "confidence": told.confidence,
        "confidence_of_ratios": told.of_ratios,
        "group_names": [group.lives.name for group in told.groups],
        "groups": {group.lives.name: _group(group) for group in told.groups},
        "lives": [life for group in told.groups for life in _lives(group)],
        "life_tests": [_life_test(pair) for pair in told.pairs],
        "life_ratios": [ratio for pair in told.pairs for ratio in _ratios(pair)],
        "fits": {group.lives.name: _fits(group) for group in told.groups},
        "sn": _sn(told.sn),
        "sn_of_groups": {group.lives.name: _sn(group.sn) for group in told.groups},
        "left_of_water": [
            {"dry": x.dry, "wet": x.wet, "measure": x.measure, "why_not": x.why or None}
            | (plain(asdict(x.equal)) if x.equal else {})
            for x in told.water
        ],
        "at_equal_levels": [{"a": x.a, "b": x.b, **plain(asdict(x.equal))} for x in told.at_levels],
        "ultimates": {group.name: _loads(group) for group in told.ultimates},
        "ultimate_tests": [_ultimate_test(pair) for pair in told.ultimate_pairs],
        "observations": [plain(asdict(found)) for found in told.seen],
        "hypotheses": [plain(asdict(weighed)) for weighed in told.hypotheses],
        "rule": RULE,
        "service": None if years is None else plain(asdict(years)),
        "left_out": list(told.left_out),
        "warnings": [str(doubt) for doubt in told.warnings],
        "cautions": merged(told.warnings),
        "specimens": [plain(asdict(specimen)) for specimen in told.specimens],
    }


def _counts(told: Comparison) -> dict[str, int]:
    """Return how many of everything there are; lives and loads are those that count."""
    lives = [group.lives for group in told.groups]
    failures = sum(int(group.failed.sum()) for group in lives)
    return {
        "groups": len(told.groups),
        "entries": len(told.specimens),
        "left_out": len(told.left_out),
        "lives": sum(len(group.cycles) for group in lives),
        "failures": failures,
        "not_failed": sum(len(group.cycles) for group in lives) - failures,
        "ultimate_loads": sum(len(group.loads) for group in told.ultimates),
        "residual_loads": sum(len(group.residual) for group in told.ultimates),
        "hypotheses": len(told.hypotheses),
        **{
            word.replace(" ", "_"): sum(each.verdict == word for each in told.hypotheses)
            for word in get_args(Verdict)
        },
        "cautions": len(merged(told.warnings)),
    }


def _loads(group: UltimateGroup) -> dict[str, Any]:
    found = moments(group.loads) if len(group.loads) else None
    return {
        "loads_N": group.loads.tolist(),
        "residual_N": group.residual.tolist(),
        "n": len(group.loads),
        "mean_N": finite(found.mean) if found else None,
        "variation": finite(found.variation) if found else None,
    }


def _group(group: GroupTold) -> dict[str, Any]:
    failures = int(group.lives.failed.sum())
    return {
        "n": len(group.lives.cycles),
        "failures": failures,
        "run_outs": len(group.lives.cycles) - failures,
        "median_cycles": finite(group.median),
        "outlived": None if group.tolerance is None else plain(asdict(group.tolerance)),
        "sensitivity": None if group.sensitivity is None else plain(asdict(group.sensitivity)),
        "curve": _curve(group),
    }


def _curve(group: GroupTold) -> dict[str, Any] | None:
    if group.curve is None:
        return None
    return {name: plain(value) for name, value in asdict(group.curve).items()}


def _lives(group: GroupTold) -> list[dict[str, Any]]:
    lives = group.lives
    return [
        {
            "specimen": specimen,
            "group": lives.name,
            "cycles": float(lives.cycles[i]),
            "failed": bool(lives.failed[i]),
            "mode": lives.modes[i],
            "load_level": finite(lives.levels[i]),
            "concrete_level": finite(lives.concrete[i]),
            "tendon_range_Pa": finite(lives.tendon[i]),
            "batch": lives.batch[i],
        }
        for i, specimen in enumerate(lives.specimens)
    ]


def _life_test(pair: LifePair) -> dict[str, Any]:
    return {
        **_names(pair),
        **plain(asdict(pair.test)),
        "warnings": list(pair.warnings),
    }


def _ratios(pair: LifePair) -> list[dict[str, Any]]:
    return [
        {**_names(pair), **plain(asdict(ratio)), "model": model}
        for model, ratio in zip(MODELS, pair.ratios, strict=True)
        if ratio is not None
    ]


def _fits(group: GroupTold) -> dict[str, Any]:
    """Return the fits of a group, both null where it has no failures or none has an end."""
    return {
        "weibull": _fit(group.weibull),
        "lognormal": _fit(group.lognormal),
        "why_not": group.no_fit,
    }


def _fit(fit: Weibull | Lognormal | None) -> dict[str, Any] | None:
    return None if fit is None else {name: plain(value) for name, value in asdict(fit).items()}


def _sn(lines: tuple[SN | None, ...]) -> dict[str, Any]:
    return {
        form: None if line is None else plain(asdict(line))
        for form, line in zip(FORMS, lines, strict=True)
    }


def _ultimate_test(pair: UltimatePair) -> dict[str, Any]:
    found = plain(asdict(pair.test))
    groups = {"a": pair.a, "b": pair.b}
    found["outliers"] = [
        {"specimen": groups[shown.group].specimens[shown.outlier.index], "group": shown.group}
        for shown in pair.test.outliers
    ]
    return {**_names(pair), **found}


def _names(pair: LifePair | UltimatePair) -> dict[str, str]:
    return {"a": pair.a.name, "b": pair.b.name}


def plain(value: Any) -> Any:
    """Return a value as JSON knows it: no arrays, null for what is not finite or beyond a float."""
    match value:
        case np.ndarray():
            return [plain(each) for each in value.tolist()]
        case np.generic():
            return plain(value.item())
        case dict():
            return {str(key): plain(each) for key, each in value.items()}
        case list() | tuple():
            return [plain(each) for each in value]
        case float():
            return value if math.isfinite(value) else None
        case int() if abs(value) > sys.float_info.max:
            return None
        case _:
            return value


def finite(value: float | None) -> float | None:
    """Return a number, None for none or one that is not finite."""
    return None if value is None or not math.isfinite(value) else float(value)
