"""Lives against libraries of others, live: `python3 bootstrap.py oracles`.

    python -m tests.lives.oracles [--all]

lifelines (MIT), reliability (LGPL-3.0), statsmodels (BSD-3-Clause), rainflow (MIT) and scipy, from
`requirements-oracles.lock`, are asked about small sets of lives with run-outs, drawn from a seed
(invented), and so are we. `--all` draws ten times as many. Ends with 1 where something differs by
more than is allowed.
"""

from __future__ import annotations

import math
import sys
import warnings
from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy as np
import pandas as pd
import rainflow as theirs
from lifelines import (
    KaplanMeierFitter,
    LogNormalAFTFitter,
    LogNormalFitter,
    NelsonAalenFitter,
    WeibullAFTFitter,
    WeibullFitter,
)
from reliability.Fitters import Fit_Lognormal_2P, Fit_Weibull_2P
from statsmodels.stats.proportion import proportion_confint
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from rig.lives.curves import product_limit
from rig.lives.fits import fit_lognormal, fit_weibull
from rig.lives.logrank import logrank
from rig.lives.rainflow import rainflow
from rig.lives.ratios import life_ratio
from rig.lives.shares import clopper_pearson
from rig.lives.sn import fit_sn
from rig.lives.ultimate import compare_ultimate
from rig.lives.ultimate_power import UltimateDesign, ultimate_power
from tests.mechanics.oracles import Pair, comparison

SEED: Final = 5
FEW: Final = 8
SHIFT: Final = 10.0
"""Added to logarithms and to O - E before they are set beside each other: some are about zero."""

CLOSE: Final = 1e-6
SEARCHED: Final = 2e-4
"""Relative difference where the other library stops its search early."""
SIMULATED: Final = 0.03


def drawn(sets: int) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Give lives [cycles] and failures (n,), two failures or more, some run-outs at one count."""
    rng = np.random.default_rng(SEED)
    found = 0
    while found < sets:
        n = int(rng.integers(5, 16))
        lives = np.exp(rng.normal(12.0, rng.uniform(0.3, 0.9), n))
        run_out = float(np.exp(rng.normal(12.4, 0.5)))
        failed = lives < run_out
        if failed.sum() > 1:
            found += 1
            yield np.round(np.minimum(lives, run_out)), failed


def fits(sets: int) -> Iterator[Pair]:
    """Give what we and lifelines say of Weibull and lognormal laws."""
    for lives, failed in drawn(sets):
        ours, other = fit_weibull(lives, failed), fit_lognormal(lives, failed)
        assert ours is not None
        assert other is not None
        weibull, lognormal = (
            WeibullFitter().fit(lives, failed),
            LogNormalFitter().fit(lives, failed),
        )
        yield "Weibull shape", ours.shape, weibull.rho_
        yield "Weibull scale", ours.scale, weibull.lambda_
        yield "Weibull log-likelihood", ours.log_likelihood, weibull.log_likelihood_
        yield "lognormal mu", other.mu, lognormal.mu_
        yield "lognormal sigma", other.sigma, lognormal.sigma_
        yield "lognormal log-likelihood", other.log_likelihood, lognormal.log_likelihood_


def fits_of_reliability(sets: int) -> Iterator[Pair]:
    """Give what we and reliability say of the same laws."""
    quiet: dict[str, Any] = {"show_probability_plot": False, "print_results": False}
    for lives, failed in drawn(sets):
        told = {"failures": lives[failed], "right_censored": lives[~failed]}
        ours, other = fit_weibull(lives, failed), fit_lognormal(lives, failed)
        assert ours is not None
        assert other is not None
        weibull, lognormal = Fit_Weibull_2P(**told, **quiet), Fit_Lognormal_2P(**told, **quiet)
        yield "Weibull shape", ours.shape, weibull.beta
        yield "Weibull scale", ours.scale, weibull.alpha
        yield "lognormal mu", other.mu, lognormal.mu
        yield "lognormal sigma", other.sigma, lognormal.sigma


def curves(sets: int) -> Iterator[Pair]:
    """Give what we and lifelines say of product-limit curves and their log-log intervals."""
    for lives, failed in drawn(sets):
        ours, other = product_limit(lives, failed), KaplanMeierFitter().fit(lives, failed)
        interval = other.confidence_interval_survival_function_
        for i, life in enumerate(ours.times):
            low, high = interval.loc[life]
            yield (
                "survival",
                float(ours.survival[i]) + 1.0,
                float(other.survival_function_.loc[life].iloc[0]) + 1.0,
            )
            if 0.0 < ours.survival[i] < 1.0:
                yield "low", float(ours.low[i]) + 1.0, low + 1.0
                yield "high", float(ours.high[i]) + 1.0, high + 1.0


def pairs(sets: int) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
    """Give lives and failures of two groups each."""
    both = iter(drawn(2 * sets))
    for (a, a_failed), (b, b_failed) in zip(both, both, strict=True):
        yield a, a_failed, b, b_failed


def observed_less_expected(sets: int) -> Iterator[Pair]:
    """Give O - E of ours, and of the Nelson-Aalen sums of lifelines."""
    for a, a_failed, b, b_failed in pairs(sets):
        everything = NelsonAalenFitter(nelson_aalen_smoothing=False).fit(
            np.concatenate([a, b]), np.concatenate([a_failed, b_failed])
        )
        hazard = everything.cumulative_hazard_.iloc[:, 0]
        expected = sum(float(hazard.loc[life]) for life in a)
        ours = logrank(a, a_failed, b, b_failed).observed_minus_expected
        yield "O - E", ours + SHIFT, a_failed.sum() - expected + SHIFT


def ratios(sets: int) -> Iterator[Pair]:
    """Give the ln of life ratios of ours, and of the regressions of lifelines."""
    for a, a_failed, b, b_failed in pairs(sets):
        frame = pd.DataFrame(
            {
                "life": np.concatenate([a, b]),
                "failed": np.concatenate([a_failed, b_failed]),
                "is_a": np.repeat([1.0, 0.0], [len(a), len(b)]),
            }
        )
        for model, fitter, name in (
            ("lognormal", LogNormalAFTFitter, "mu_"),
            ("weibull", WeibullAFTFitter, "lambda_"),
        ):
            other = fitter().fit(frame, "life", "failed")
            ours = life_ratio(a, a_failed, b, b_failed, model)
            assert ours is not None
            assert ours.ratio is not None
            yield (
                f"{model} ratio",
                math.log(ours.ratio) + SHIFT,
                other.params_[name, "is_a"] + SHIFT,
            )


def lines(sets: int) -> Iterator[Pair]:
    """Give S-N lines of ours, and of the lognormal regression of lifelines."""
    rng = np.random.default_rng(SEED)
    for _ in range(sets):
        stress = np.repeat([300.0, 340.0, 380.0], 5)
        lives = np.exp(60.0 - 8.0 * np.log(stress) + 0.5 * rng.standard_normal(15))
        failed = lives < np.quantile(lives, 0.85)
        cut = np.where(failed, lives, np.quantile(lives, 0.85))
        ours = fit_sn(stress, cut, failed, "loglog")
        assert ours is not None
        frame = pd.DataFrame({"life": cut, "failed": failed, "s": np.log(stress / 340.0)})
        other = LogNormalAFTFitter().fit(frame, "life", "failed")
        yield "slope", ours.b, other.params_["mu_", "s"]
        yield "level", ours.a + ours.b * math.log(340.0), other.params_["mu_", "Intercept"]
        yield "scatter", ours.sigma, math.exp(other.params_["sigma_", "Intercept"])


def loads(sets: int) -> Iterator[Pair]:
    """Give Welch's test and interval of ours, and of statsmodels."""
    rng = np.random.default_rng(SEED)
    for _ in range(sets):
        a, b = rng.normal(130.0, 7.0, 4), rng.normal(122.0, 3.0, 6)
        other = CompareMeans(DescrStatsW(a), DescrStatsW(b))
        t, p, df = other.ttest_ind(usevar="unequal")
        low, high = other.tconfint_diff(usevar="unequal")
        ours = compare_ultimate(a, b)
        for name, mine, his in (
            ("t", ours.t, t),
            ("p", ours.p, p),
            ("df", ours.df, df),
            ("low", ours.difference_low, low),
            ("high", ours.difference_high, high),
        ):
            assert mine is not None
            yield name, mine, float(his)


def shares() -> Iterator[Pair]:
    """Give exact intervals of k of n of ours, and of statsmodels."""
    for n in (4, 6, 15):
        for k in range(n + 1):
            ours = clopper_pearson(k, n)
            assert ours is not None
            for mine, his in zip(ours[1:], proportion_confint(k, n, method="beta"), strict=True):
                yield f"{k} of {n}", mine + 1.0, float(his) + 1.0


def cycles(sets: int) -> Iterator[Pair]:
    """Give rainflow counts of ours, and of rainflow: by damage with a power of five."""
    rng = np.random.default_rng(SEED)
    for _ in range(sets):
        history = rng.normal(0.0, 1.0, 500)
        ours = rainflow(history)
        counted = list(theirs.extract_cycles(history))
        yield "cycles", float(ours.counts.sum()), sum(c[2] for c in counted)
        yield (
            "damage",
            float((ours.counts * ours.ranges**5).sum()),
            sum(c[2] * c[0] ** 5 for c in counted),
        )


def powers() -> Iterator[Pair]:
    """Give the power of the t-test by simulation, and by the noncentral t of statsmodels."""
    from statsmodels.stats.power import TTestIndPower

    for n, effect in ((8, 1.5), (17, 1.0), (26, 0.8)):
        ours = ultimate_power(UltimateDesign(n, n, 1 + 0.001 * effect, 0.001), series=40_000)
        yield f"{n} and {n}", ours.power_welch, float(TTestIndPower().power(effect, n, 0.05))


def main(arguments: list[str]) -> int:
    """Print a line for each comparison and return 1 where one fails."""
    if arguments not in ([], ["--all"]):
        print(f"oracles: {' '.join(arguments)!r}: give nothing, or --all", file=sys.stderr)
        return 2
    warnings.simplefilter("ignore")
    n = FEW * (10 if arguments else 1)
    every: tuple[tuple[str, Iterable[Pair], float], ...] = (
        ("laws of lives beside lifelines", fits(n), SEARCHED),
        ("laws of lives beside reliability", fits_of_reliability(n), SEARCHED),
        ("product-limit curves beside lifelines", curves(n), CLOSE),
        ("log-rank beside sums of lifelines", observed_less_expected(n), CLOSE),
        ("life ratios beside lifelines", ratios(n // 4), SEARCHED),
        ("S-N lines beside lifelines", lines(n), SEARCHED),
        ("ultimate loads beside statsmodels", loads(n), CLOSE),
        ("exact shares beside statsmodels", shares(), CLOSE),
        ("power beside statsmodels", powers(), SIMULATED),
        ("rainflow beside rainflow", cycles(n), CLOSE),
    )
    failed = 0
    for title, told, allowed in every:
        found = comparison(title, told, allowed)
        print(found, flush=True)
        failed += not found.agrees
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
