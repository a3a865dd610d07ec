"""Weibull and lognormal laws of the lives of one group, run-outs among them, with intervals."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.lives.calibration import drawn, run_out_at, sets_for, standard_draws
from rig.lives.censored import checked, equal_or_none
from rig.lives.location_scale import Maximum, Model, maximum
from rig.lives.profile import end_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from rig.lives.censored import BoolArray
    from rig.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Weibull:
    """A Weibull law, S = exp(-(N / scale) ** shape), scale [cycles], with intervals.

    `log_likelihood` is that of cycles, its term - ln N with it. `confidence` is that of each
    interval by itself; `note` says what they really hold with as few failures as these.
    """

    shape: float
    scale: float
    shape_low: float
    shape_high: float
    scale_low: float
    scale_high: float
    log_likelihood: float
    confidence: float = 0.95
    note: str = ""


@dataclass(frozen=True, slots=True)
class Lognormal:
    """A lognormal law: mean and standard deviation of ln cycles, with intervals.

    `log_likelihood` is that of cycles, its term - ln N with it. `confidence` is that of each
    interval by itself; `note` says what they really hold with as few failures as these.
    """

    mu: float
    sigma: float
    mu_low: float
    mu_high: float
    sigma_low: float
    sigma_high: float
    log_likelihood: float
    confidence: float = 0.95
    note: str = ""


def no_fit(cycles: ArrayLike, failed: ArrayLike) -> str | None:
    """Return why no law can be fitted to lives [cycles] (n,), `failed` (n,); None where it can."""
    lives, ends = checked(cycles, failed)
    if not lives.size:
        return "no specimen"
    if not ends.any():
        return "no failure: all ran out"
    if equal_or_none(np.log(lives), ends):
        if int(ends.sum()) == 1:
            return "one failure, and no specimen outlived it: a spread cannot be told"
        return "all failures at one life, and no specimen outlived it: a spread cannot be told"
    return None


def fit_weibull(cycles: ArrayLike, failed: ArrayLike, confidence: float = 0.95) -> Weibull | None:
    """Fit a Weibull law by maximum likelihood to lives [cycles] (n,), `failed` (n,).

    The intervals are of the profile likelihood with the quantile of chi-squared (Meeker and
    Escobar, Statistical Methods for Reliability Data, 8.3; from memory). None where `no_fit` says
    why. ValueError for lives that cannot be, or a confidence not between 0 and 1.
    """
    ends = _fitted("weibull", cycles, failed, confidence)
    if ends is None:
        return None
    return Weibull(
        shape=1.0 / ends.sigma,
        scale=_exp(ends.mu),
        shape_low=1.0 / ends.sigma_high,
        shape_high=1.0 / ends.sigma_low if ends.sigma_low else math.inf,
        scale_low=_exp(ends.mu_low),
        scale_high=_exp(ends.mu_high),
        log_likelihood=ends.log_likelihood,
        confidence=confidence,
        note=ends.note,
    )


def fit_lognormal(
    cycles: ArrayLike, failed: ArrayLike, confidence: float = 0.95
) -> Lognormal | None:
    """Fit a lognormal law by maximum likelihood to lives [cycles] (n,), `failed` (n,).

    Intervals, None and errors as of `fit_weibull`.
    """
    return _fitted("lognormal", cycles, failed, confidence)


def quantile(fit: Weibull | Lognormal, p: float) -> float:
    """Return the life [cycles] at which a share `p` (0 to 1, both excluded) has failed."""
    if isinstance(fit, Weibull):
        return fit.scale * math.pow(-math.log1p(-p), 1.0 / fit.shape)
    from statistics import NormalDist

    return _exp(fit.mu + fit.sigma * NormalDist().inv_cdf(p))


def _note(model: Model, shares: tuple[float, float] | None, confidence: float) -> str:
    """Return what intervals hold in sets drawn anew, "" where many failed."""
    if shares is None:
        return ""
    names = ("scale", "shape") if model == "weibull" else ("mu", "sigma")
    held = " and ".join(f"{share:.0%} ({name})" for share, name in zip(shares, names, strict=True))
    return f"in sets drawn anew the {confidence:.0%} intervals hold {held}".replace("%", " %")


def _exp(x: float) -> float:
    return math.exp(x) if x < 700.0 else math.inf


class _Profile:
    """Log lives about their mean, and how far the likelihood falls where a parameter is held."""

    def __init__(self, model: Model, y: FloatArray, failed: BoolArray) -> None:
        self.model: Model = model
        self.y, self.failed = y[:, None], failed[:, None]
        self.ones = np.ones_like(self.y)
        self.best = maximum(model, self.y, self.failed, [self.ones])

    def held(self, allowed: float) -> tuple[float, float] | None:
        """Return the share of drawn sets whose falls at the true location and spread are allowed.

        None where there are too many to draw anew.
        """
        n = len(self.y)
        sets = sets_for(n, int(self.failed.sum()))
        if not sets:
            return None
        mu, sigma = float(self.best.beta[0, 0]), float(self.best.sigma[0])
        ends = run_out_at(self.y[:, 0], self.failed[:, 0])
        y, failed = drawn(np.full(n, mu), sigma, standard_draws(self.model, n, sets), ends)
        known = ~equal_or_none(y.T, failed.T)
        y, failed = y[:, known], failed[:, known]
        ones = np.ones((n, 1))
        best = maximum(self.model, y, failed, [ones]).log_likelihood
        of_mu = maximum(self.model, y - mu, failed, []).log_likelihood
        sigmas = np.full(y.shape[1], sigma)
        of_sigma = maximum(self.model, y, failed, [ones], sigmas).log_likelihood
        mu_holds, sigma_holds = (
            float((2.0 * (best - held) <= allowed).mean()) for held in (of_mu, of_sigma)
        )
        return mu_holds, sigma_holds

    def _fall(self, held: Maximum) -> float:
        return 2.0 * float(self.best.log_likelihood[0] - held.log_likelihood[0])

    def at_mu(self, mu: float) -> float:
        return self._fall(maximum(self.model, self.y - mu, self.failed, []))

    def at_log_sigma(self, log_sigma: float) -> float:
        sigma = np.array([math.exp(log_sigma)])
        return self._fall(maximum(self.model, self.y, self.failed, [self.ones], sigma))


def _fitted(
    model: Model, cycles: ArrayLike, failed: ArrayLike, confidence: float
) -> Lognormal | None:
    """Return location and scale of ln cycles, for either law, with their intervals."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence of {confidence:g}: it must lie between 0 and 1")
    if no_fit(cycles, failed) is not None:
        return None
    lives, ends = checked(cycles, failed)
    logs = np.log(lives)
    middle = float(logs.mean())
    profile = _Profile(model, logs - middle, ends)
    mu, sigma = float(profile.best.beta[0, 0]), float(profile.best.sigma[0])
    from scipy.special import chdtri

    allowed = float(chdtri(1, 1.0 - confidence))
    shares = profile.held(allowed)
    step = 2.0 / math.sqrt(float(ends.sum()))
    mu_ends = [end_of(profile.at_mu, mu, way * sigma * step, allowed) for way in (-1.0, 1.0)]
    log_ends = [
        end_of(profile.at_log_sigma, math.log(sigma), way * step, allowed) for way in (-1.0, 1.0)
    ]
    return Lognormal(
        mu=mu + middle,
        sigma=sigma,
        mu_low=-math.inf if mu_ends[0] is None else mu_ends[0] + middle,
        mu_high=math.inf if mu_ends[1] is None else mu_ends[1] + middle,
        sigma_low=0.0 if log_ends[0] is None else math.exp(log_ends[0]),
        sigma_high=math.inf if log_ends[1] is None else math.exp(log_ends[1]),
        log_likelihood=float(profile.best.log_likelihood[0]) - float(logs[ends].sum()),
        confidence=confidence,
        note=_note(model, shares, confidence),
    )
