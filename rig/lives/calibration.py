"""How far a likelihood falls by chance with as few specimens as these: drawn, not looked up.

The quantile of chi-squared is right for many failures only. Lives are drawn from the law fitted
with the parameter held at the value in question, run-outs where these specimens would have run
out, and the fall of each set is what chance does (a parametric bootstrap of the likelihood ratio;
Davison and Hinkley, Bootstrap Methods and their Application, 5.4; from memory). Without run-outs
the fall does not depend on the law, and the result is exact but for the number of sets drawn.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from rig.lives.censored import BoolArray
    from rig.lives.location_scale import Model
    from rig.samples import FloatArray

SEED: Final = 1
MOST_SETS: Final = 4000
MOST_DRAWN: Final = 100_000
"""Lives drawn at most; many specimens get fewer sets."""

MOST_SPECIMENS: Final = 200
"""Specimens up to which sets are drawn; fewer than 500 sets would know a quantile too badly."""

ENOUGH: Final = 100
"""Failures from which chi-squared is taken as it is: nominal 90 % then hold 89.6 % (lognormal)."""


def sets_for(n: int, failures: int) -> int:
    """Return how many sets of n specimens are drawn, 0 where chi-squared has to do."""
    if failures >= ENOUGH or n > MOST_SPECIMENS:
        return 0
    return min(MOST_SETS, MOST_DRAWN // max(n, 1))


@lru_cache(maxsize=8)
def standard_draws(model: Model, n: int, sets: int) -> FloatArray:
    """Return standardised log lives (n, sets) of a law: normal, or smallest extreme values.

    Kept, and the same each time: not to be written to.
    """
    rng = np.random.default_rng(SEED)
    if model == "lognormal":
        return rng.standard_normal((n, sets))
    return np.log(rng.standard_exponential((n, sets)))


def run_out_at(y: FloatArray, failed: BoolArray) -> FloatArray:
    """Return the log count (n,) at which each specimen (n,) would have run out.

    A run-out tells its own. A failure takes the largest of the others, and would not have run out
    where it has outlived that.
    """
    if failed.all():
        return np.full(len(y), np.inf)
    most = float(y[~failed].max())
    return np.where(failed, np.where(y < most, most, np.inf), y)


def drawn(
    middle: FloatArray, sigma: float, standard: FloatArray, ends: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Return log lives and failures (n, sets) about `middle` (n,), cut off at `ends` (n,)."""
    lives = middle[:, None] + sigma * standard
    failed = lives < ends[:, None]
    return np.minimum(lives, ends[:, None]), failed
