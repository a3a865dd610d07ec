"""S-N curves that end in a fatigue limit of each specimen's own: the random fatigue limit.

ln N = b0 + b1 ln(S - limit) + sigma e where S lies above the limit, no end where it does not;
e and ln limit are normal (Pascual and Meeker, Technometrics 41 (1999) 277). Lives and run-outs
are integrated over the limit, which nobody sees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.censored import checked
from rig.lives.sn import fit_sn, stresses

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from rig.lives.censored import BoolArray
    from rig.samples import FloatArray

NODES: Final = (120, 480)
"""Gauss-Legendre nodes over the limit, first tried and where these are too few."""

FINER: Final = 4
SAME: Final = 0.01
"""Change of the log-likelihood by nodes finer by the factor above, up to which they are enough."""

WIDE: Final = 7.0
"""Standard deviations of ln limit on either side that are integrated over."""

NARROWEST: Final = 1e-3
"""Least standard deviation of ln limit or ln N; below it the limit is one number."""

FIRST_LIMITS: Final = (0.5, 0.8, 0.95)
"""Shares of the lowest stress from which the median limit is sought."""

LEAST_FAILURES: Final = 6
"""One more than there are parameters."""


@dataclass(frozen=True, slots=True)
class FatigueLimit:
    """The random fatigue limit of lives; stresses in the unit of the fit.

    `mu` and `sigma_limit` are of ln limit, `limit` is its median. `log_likelihood` is that of
    ln N, `gain` twice how far it lies above that of a straight line in ln S, which has two
    parameters less. No interval is given: see `note`.
    """

    b0: float
    b1: float
    sigma: float
    mu: float
    sigma_limit: float
    limit: float
    log_likelihood: float
    gain: float
    note: str


def no_limit(stress: ArrayLike, cycles: ArrayLike, failed: ArrayLike) -> str | None:
    """Return why no fatigue limit can be sought, None where it can."""
    lives, ends = checked(cycles, failed)
    at = stresses(stress, len(lives))
    if int(ends.sum()) < LEAST_FAILURES:
        return f"{int(ends.sum())} failures: {LEAST_FAILURES} are needed for five parameters"
    if len(np.unique(at[ends])) < 3:
        return "failures at fewer than 3 stresses: a bend cannot be told from a line"
    return None


def fit_fatigue_limit(
    stress: ArrayLike, cycles: ArrayLike, failed: ArrayLike
) -> FatigueLimit | None:
    """Fit the model to stresses (n,) in any unit, lives [cycles] (n,), `failed` (n,).

    None where `no_limit` says why, where a straight line is as likely (no bend is seen), or where
    the lives would scatter about their limits by so little that nothing tells one from the other.
    ValueError where shapes, lives or stresses cannot be.
    """
    line = None if no_limit(stress, cycles, failed) else fit_sn(stress, cycles, failed, "loglog")
    if line is None:
        return None
    lives, ends = checked(cycles, failed)
    unit = float(stresses(stress, len(lives)).min())
    best = _best(stresses(stress, len(lives)) / unit, np.log(lives), ends)
    if best is None or not -best[0] > line.log_likelihood:
        return None
    b0, b1, log_sigma, mu, log_limit = (float(one) for one in best[1])
    note = "no interval: that of a limit rests on the few specimens that lie nearest to it"
    if math.exp(log_limit) <= 2.0 * NARROWEST:
        note = f"the limits of these specimens scatter by nothing that shows; {note}"
    # In the unit of the stresses again: ln(S / unit - limit / unit) = ln(S - limit) - ln unit.
    return FatigueLimit(
        b0=b0 - b1 * math.log(unit),
        b1=b1,
        sigma=max(math.exp(log_sigma), NARROWEST),
        mu=mu + math.log(unit),
        sigma_limit=max(math.exp(log_limit), NARROWEST),
        limit=math.exp(mu) * unit,
        log_likelihood=-best[0],
        gain=2.0 * (-best[0] - line.log_likelihood),
        note=note,
    )


def _best(stress: FloatArray, y: FloatArray, failed: BoolArray) -> tuple[float, FloatArray] | None:
    """Return minus the largest log-likelihood and its parameters."""
    from scipy.optimize import minimize

    for nodes in NODES:
        likelihood = _Likelihood(stress, y, failed, nodes)
        starts = [likelihood.start(share) for share in FIRST_LIMITS]
        found = [
            minimize(likelihood.fall, start, method="BFGS", options={"gtol": 1e-4})
            for start in starts
        ]
        best = minimize(
            likelihood.fall,
            min(found, key=lambda one: float(one.fun)).x,
            method="Nelder-Mead",
            options={"xatol": 1e-7, "fatol": 1e-9, "maxiter": 4000, "maxfev": 4000},
        )
        finer = _Likelihood(stress, y, failed, FINER * nodes).fall(best.x)
        if abs(finer - float(best.fun)) < SAME:
            return float(best.fun), best.x
    return None


class _Likelihood:
    """Minus the log-likelihood of b0, b1, ln sigma, mu, ln sigma_limit."""

    def __init__(self, stress: FloatArray, y: FloatArray, failed: BoolArray, nodes: int) -> None:
        self.levels, self.of = np.unique(stress, return_inverse=True)
        self.stress, self.y, self.failed = stress, y, failed
        self.nodes, self.weights = np.polynomial.legendre.leggauss(nodes)

    def start(self, share: float) -> FloatArray:
        """Return the parameters about a limit that is a share of the lowest stress."""
        s, y = np.log(self.stress - share)[self.failed], self.y[self.failed]
        b1, b0 = np.polyfit(s, y, 1)
        sigma = max(float((y - b0 - b1 * s).std()), 10.0 * NARROWEST)
        return np.array([b0, b1, math.log(sigma), math.log(share), math.log(0.05)])

    def fall(self, parameters: FloatArray) -> float:
        from scipy.special import log_ndtr, ndtr

        b0, b1, log_sigma, mu, log_limit = parameters
        sigma, scatter = (
            math.exp(min(max(one, math.log(NARROWEST)), 5.0)) for one in (log_sigma, log_limit)
        )
        highest = np.clip((np.log(self.levels) - mu) / scatter, -WIDE, WIDE)
        z = -WIDE + (highest + WIDE)[:, None] * (self.nodes + 1.0) / 2.0
        density = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
        weight = density * self.weights * (highest + WIDE)[:, None] / 2.0
        above = self.levels[:, None] - np.exp(mu + scatter * z)
        middle = b0 + b1 * np.log(np.maximum(above, 1e-12))
        e = (self.y[:, None] - middle[self.of]) / sigma
        failing = np.exp(-0.5 * np.minimum(e * e, 1400.0)) / (sigma * math.sqrt(2.0 * math.pi))
        seen = np.where(self.failed[:, None], failing, np.exp(log_ndtr(-e)))
        share = (seen * weight[self.of]).sum(axis=1)
        never = ndtr((mu - np.log(self.levels)) / scatter)[self.of]
        share = share + np.where(self.failed, 0.0, never)
        return -float(np.log(np.maximum(share, 1e-300)).sum())
