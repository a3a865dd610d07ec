"""How often a series of a given size would show a difference that is there, by simulation.

Lives are drawn from lognormal laws and judged by the tests that judge real ones: the exact log-rank
permutation test, Welch's test, the exact rank test. Natural logarithms, cycles. All assumptions are
in the designs. A group whose level is set as a share of the mean of a few companions shares the
error of that mean: it moves all its lives together (`shift`), which no test of lives can see.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.many_logranks import LogRanks
from rig.lives.null_sums import reached

if TYPE_CHECKING:
    from rig.samples import FloatArray

SERIES: Final = 10_000
MOST_LOG: Final = 300.0
"""How far ln life may lie from its median, whatever is assumed: numbers hold it."""


@dataclass(frozen=True, slots=True)
class LifeDesign:
    """Two groups of lives to be tested until they fail or reach `run_out` [cycles].

    `life` is the median [cycles] of the second group, `ratio` that of the first over it, `scatter`
    the standard deviation of ln life within a group, `shift_a` and `shift_b` that of each group as
    a whole (see `capacity_shift`).
    """

    n_a: int
    n_b: int
    run_out: float
    life: float
    ratio: float
    scatter: float
    shift_a: float = 0.0
    shift_b: float = 0.0


@dataclass(frozen=True, slots=True)
class LifePower:
    """What many simulated series of one design came to; shares of them.

    `power` is the share with a one-sided p (the first group lives longer) at most `significance`,
    `power_two_sided` the same of the two-sided p, `false_alarms` that of the one-sided p where the
    true ratio is 1. `power_carried` is the share whose estimated life ratio lies above what a share
    `significance` of series without a difference come to: what is left where the error of the
    capacities is carried, scatter and error being known. `smallest_p` is the smallest one-sided p
    these sizes can reach, `smallest_p_usual` the median of what the run-outs left, `can_reach` the
    share of series that could come to `significance` at all. `failures_a` and `failures_b` are mean
    numbers. `error` is the standard error of `power`. `exact` is False where arrangements were
    sampled.
    """

    design: LifeDesign
    significance: float
    power: float
    power_two_sided: float
    false_alarms: float
    power_carried: float
    smallest_p: float
    smallest_p_two_sided: float
    smallest_p_usual: float
    can_reach: float
    failures_a: float
    failures_b: float
    error: float
    series: int
    exact: bool


def capacity_shift(variation: float, companions: int, sensitivity: float) -> float:
    """Return the standard deviation of ln life that the error of a mean capacity adds to a group.

    `variation` is that of ultimate loads (standard deviation over mean), `companions` how many
    their mean is of, `sensitivity` how far ln life moves with ln level (`slopes.Slope`).
    """
    return abs(sensitivity) * variation / math.sqrt(companions)


def draw_lives(design: LifeDesign, series: int, seed: int) -> FloatArray:
    """Return lives [cycles] (series, n_a + n_b), the first group first, not yet cut at run-out.

    Designs that differ in ratio, run-out or shift alone get the same luck.
    """
    rng = np.random.default_rng(seed)
    logs = design.scatter * rng.standard_normal((series, design.n_a + design.n_b))
    shifts = rng.standard_normal((series, 2)) * (design.shift_a, design.shift_b)
    logs[:, : design.n_a] += math.log(design.ratio) + shifts[:, :1]
    logs[:, design.n_a :] += shifts[:, 1:]
    result: FloatArray = design.life * np.exp(np.clip(logs, -MOST_LOG, MOST_LOG))
    return result


@dataclass(frozen=True, slots=True)
class Chance:
    """What series without a difference come to: false alarms, and the ln ratio few go beyond."""

    false_alarms: float
    log_ratio: float


def chance_of(
    design: LifeDesign, tests: LogRanks, significance: float, series: int, seed: int
) -> Chance:
    """Return what series like a design, but without a difference, come to."""
    lives = draw_lives(replace(design, ratio=1.0), series, seed)
    judged = tests.judge(lives, design.run_out)
    ratios = log_ratios(lives, design.n_a, design.run_out)
    return Chance(
        float(reached(judged.p, significance).mean()),
        float(np.quantile(ratios, 1.0 - significance, method="higher")),
    )


def life_power(
    design: LifeDesign,
    significance: float = 0.05,
    series: int = SERIES,
    seed: int = 0,
    tests: LogRanks | None = None,
    chance: Chance | None = None,
) -> LifePower:
    """Return the power of the exact log-rank test for a design.

    `tests` are of its sizes, `chance` is of it; both are made where they are not given. ValueError
    for an empty group.
    """
    tests = tests or LogRanks(design.n_a, design.n_b, seed)
    chance = chance or chance_of(design, tests, significance, series, seed)
    lives = draw_lives(design, series, seed)
    found = tests.judge(lives, design.run_out)
    power = float(reached(found.p, significance).mean())
    ratios = log_ratios(lives, design.n_a, design.run_out)
    return LifePower(
        design=design,
        significance=significance,
        power=power,
        power_two_sided=float(reached(found.p_two_sided, significance).mean()),
        false_alarms=chance.false_alarms,
        power_carried=float((ratios > chance.log_ratio).mean()),
        smallest_p=tests.null(tests.n).smallest_p_low,
        smallest_p_two_sided=tests.null(tests.n).smallest_p_away,
        smallest_p_usual=float(np.median(found.smallest_p)),
        can_reach=float(reached(found.smallest_p, significance).mean()),
        failures_a=float(found.failures_a.mean()),
        failures_b=float(found.failures_b.mean()),
        error=math.sqrt(power * (1.0 - power) / series),
        series=series,
        exact=tests.exact,
    )


def log_ratios(lives: FloatArray, n_a: int, run_out: float) -> FloatArray:
    """Return the estimated ln of the life ratio of series of lives [cycles] (series, n), (series,).

    The first `n_a` are the first group. By maximum likelihood of two lognormal laws of one scatter;
    infinite where the first group only ran out, minus infinite where the second did, 0 where both.
    """
    from rig.lives.location_scale import maximum

    failed = lives < run_out
    logs = np.log(np.minimum(lives, run_out)) - math.log(run_out)
    in_a, in_b = failed[:, :n_a].any(axis=1), failed[:, n_a:].any(axis=1)
    result: FloatArray = np.where(in_a == in_b, 0.0, np.where(in_b, np.inf, -np.inf))
    both = in_a & in_b
    first = (np.arange(lives.shape[1]) < n_a)[:, None].astype(float)
    fit = maximum(
        "lognormal",
        np.ascontiguousarray(logs[both].T),
        np.ascontiguousarray(failed[both].T),
        [np.ones_like(first), first],
    )
    result[both] = fit.beta[1]
    return result


def life_powers(
    designs: Iterable[LifeDesign],
    significance: float = 0.05,
    series: int = SERIES,
    seed: int = 0,
) -> tuple[LifePower, ...]:
    """Return the power of each design; what several share is worked out once."""
    tests: dict[tuple[int, int], LogRanks] = {}
    chances: dict[LifeDesign, Chance] = {}
    powers = []
    for design in designs:
        size, alike = (design.n_a, design.n_b), replace(design, ratio=1.0)
        if size not in tests:
            tests[size] = LogRanks(*size, seed)
        if alike not in chances:
            chances[alike] = chance_of(alike, tests[size], significance, series, seed)
        powers.append(life_power(design, significance, series, seed, tests[size], chances[alike]))
    return tuple(powers)
