"""How many times longer one group lives than another, with an interval that holds what it says."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from rig.lives.calibration import ENOUGH, drawn, run_out_at, sets_for, standard_draws
from rig.lives.censored import checked
from rig.lives.profile import end_of
from rig.lives.two_groups import fall, free, held, spread_unknown

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from rig.lives.censored import BoolArray
    from rig.lives.location_scale import Model
    from rig.samples import FloatArray

Kind = Literal["interval", "lower bound", "upper bound"]

ROUNDS: Final = 6
"""Times an end is moved to where the likelihood falls as far as it does by chance there."""

SETTLED: Final = 0.01
"""Relative change of the allowed fall that moves an end no further."""

NO_FALL: Final = 1e-9
"""Falls of a likelihood nearer than this are equal: what is between them is rounding."""

FEW_FAILURES: Final = 3
"""Failures up to which the shares that hold were seen to lie outside 88 to 92 % of 90."""

MOST_LOG: Final = 700.0
"""Largest logarithm of a ratio that a number holds."""

FAR: Final = 10.0
"""Scatters above all its run-outs: there a group that only ran out is as good as eternal."""


@dataclass(frozen=True, slots=True)
class Ratio:
    """The life of a over that of b; both groups have one scatter.

    `ratio` is None where a group only ran out: only a bound is known then, and `low` or `high`
    is None. `confidence` is that of the interval, or of the bound by itself. `plain_low` and
    `plain_high` are the ends by the quantile of chi-squared, for comparison: with few specimens
    they claim too much.
    """

    ratio: float | None
    low: float | None
    high: float | None
    kind: Kind
    model: Model
    confidence: float
    note: str
    plain_low: float | None = None
    plain_high: float | None = None


def no_ratio(
    a_cycles: ArrayLike, a_failed: ArrayLike, b_cycles: ArrayLike, b_failed: ArrayLike
) -> str | None:
    """Return why no life ratio can be told, None where one can."""
    groups = _Groups(a_cycles, a_failed, b_cycles, b_failed)
    if groups.is_a.all() or not groups.is_a.any():
        return "a group has no specimen"
    if not groups.failed.any():
        return "no failure in either group: all ran out"
    if spread_unknown(groups.y, groups.failed, groups.is_a)[0]:
        return "no group has failures that scatter, or are outlived: the scatter cannot be told"
    return None


def life_ratio(
    a_cycles: ArrayLike,
    a_failed: ArrayLike,
    b_cycles: ArrayLike,
    b_failed: ArrayLike,
    model: Model = "lognormal",
    confidence: float = 0.90,
) -> Ratio | None:
    """Return the ratio of the lives [cycles] of a (n,) to those of b (m,), run-outs among them.

    Of Weibull lives it is that of the scales, of lognormal ones that of the medians; with the one
    scatter it is that of any other quantile too. The interval is of the profile likelihood; how
    far that may fall is drawn for these specimens (see `calibration`). Nominal 90 % held 88 to 92 %
    of drawn cases of 4 against 4 with up to half of a running out; where three quarters of both
    ran out and few failed, 86 to 90 %. None where `no_ratio` says why. ValueError for lives that
    cannot be, or a confidence not between 0 and 1.
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"a confidence of {confidence:g}: it must lie between 0 and 1")
    if no_ratio(a_cycles, a_failed, b_cycles, b_failed) is not None:
        return None
    groups = _Groups(a_cycles, a_failed, b_cycles, b_failed)
    return _Ends(model, groups, confidence).ratio()


def p_of_ratio(
    a_cycles: ArrayLike,
    a_failed: ArrayLike,
    b_cycles: ArrayLike,
    b_failed: ArrayLike,
    ratio: float = 1.0,
    model: Model = "lognormal",
) -> float | None:
    """Return the two-sided p of a life ratio a over b, by the same calibrated likelihood ratio.

    The interval of `life_ratio` holds the ratios whose p is above 1 - confidence. None where
    `no_ratio` says why. ValueError for lives or a ratio that cannot be.
    """
    if not (ratio > 0.0 and math.isfinite(ratio)):
        raise ValueError(f"a life ratio of {ratio:g}: it must be above 0 and finite")
    if no_ratio(a_cycles, a_failed, b_cycles, b_failed) is not None:
        return None
    groups = _Groups(a_cycles, a_failed, b_cycles, b_failed)
    return _Ends(model, groups, 0.90).p(math.log(ratio))


class _Groups:
    """Both groups as one column of log lives about their mean."""

    def __init__(
        self, a_cycles: ArrayLike, a_failed: ArrayLike, b_cycles: ArrayLike, b_failed: ArrayLike
    ) -> None:
        a, b = checked(a_cycles, a_failed), checked(b_cycles, b_failed)
        logs = np.log(np.concatenate((a[0], b[0])))
        self.y: FloatArray = (logs - logs.mean() if logs.size else logs)[:, None]
        self.failed: BoolArray = np.concatenate((a[1], b[1]))[:, None]
        self.is_a: BoolArray = np.arange(len(logs)) < len(a[0])


class _Ends:
    """Both ends of the interval of delta, the logarithm of the ratio."""

    def __init__(self, model: Model, groups: _Groups, confidence: float) -> None:
        from scipy.special import chdtri

        self.model: Model = model
        self.groups, self.confidence = groups, confidence
        self.best = free(model, groups.y, groups.failed, groups.is_a)
        self.sigma = float(self.best.sigma[0])
        self.plain = float(chdtri(1, 1.0 - confidence))
        self.sets = sets_for(len(groups.y), int(groups.failed.sum()))
        self.standard = standard_draws(model, len(groups.y), self.sets)
        self.run_out_at = run_out_at(groups.y[:, 0], groups.failed[:, 0])

    def _fall(self, delta: float) -> float:
        g = self.groups
        here = held(self.model, g.y, g.failed, g.is_a, delta).log_likelihood
        return max(2.0 * float(self.best.log_likelihood[0] - here[0]), 0.0)

    def _by_chance(self, delta: float) -> FloatArray:
        """Return how far the likelihood falls at `delta` (sets,) by chance where that is true."""
        g = self.groups
        law = held(self.model, g.y, g.failed, g.is_a, delta)
        middle = np.where(g.is_a, delta, 0.0) + float(law.beta[0, 0])
        y, failed = drawn(middle, float(law.sigma[0]), self.standard, self.run_out_at)
        return fall(self.model, y, failed, g.is_a, delta)

    def p(self, delta: float) -> float:
        """Return how often chance makes the likelihood fall as far at `delta` as it does."""
        from scipy.special import chdtrc

        if not self.sets:
            return float(chdtrc(1, self._fall(delta)))
        far = int((self._by_chance(delta) >= self._fall(delta) - NO_FALL).sum())
        return (far + 1.0) / (self.sets + 1.0)

    def _end(self, start: float, way: float) -> tuple[float | None, float | None]:
        """Return the end on one side, calibrated and by chi-squared."""
        find = partial(end_of, self._fall, start, way * self.sigma)
        plain = at = find(self.plain)
        allowed = self.plain
        for _ in range(ROUNDS if self.sets else 0):
            if at is None:
                break
            before, allowed = allowed, float(np.quantile(self._by_chance(at), self.confidence))
            at = find(allowed)
            if abs(allowed - before) < SETTLED * before:
                break
        return at, plain

    def ratio(self) -> Ratio:
        """Return the interval, or the bound where a group only ran out."""
        a, b = (float(beta) for beta in self.best.beta[:, 0])
        y, is_a = self.groups.y[:, 0], self.groups.is_a
        low: tuple[float | None, float | None] = (None, None)
        high = low
        kind: Kind = "interval"
        if math.isnan(a):
            kind = "lower bound"
            low = self._end(float(y[is_a].max()) - b + FAR * self.sigma, -1.0)
        elif math.isnan(b):
            kind = "upper bound"
            high = self._end(a - float(y[~is_a].max()) - FAR * self.sigma, 1.0)
        else:
            low, high = self._end(a - b, -1.0), self._end(a - b, 1.0)
        return Ratio(
            ratio=ratio_of(a - b) if kind == "interval" else None,
            low=_ended(low[0]),
            high=_ended(high[0]),
            kind=kind,
            model=self.model,
            confidence=self.confidence,
            note=self._note(kind),
            plain_low=_ended(low[1]),
            plain_high=_ended(high[1]),
        )

    def _note(self, kind: Kind) -> str:
        failures = int(self.groups.failed.sum())
        parts = [
            f"calibrated by {self.sets:,} drawn sets of as many specimens, one scatter for both"
            if self.sets
            else "by chi-squared, as for many; one scatter for both"
        ]
        if kind != "interval":
            which = "a" if kind == "lower bound" else "b"
            parts.insert(0, f"{which} only ran out: a bound is all that can be said")
        if failures <= FEW_FAILURES or (failures < ENOUGH and not self.sets):
            parts.append(f"{failures} failures in all: what it holds may differ from what it says")
        return "; ".join(parts)


def ratio_of(delta: float) -> float:
    """Return the ratio of a logarithm, cut where a number would not hold it."""
    return math.exp(min(delta, MOST_LOG))


def _ended(delta: float | None) -> float | None:
    return None if delta is None else ratio_of(delta)
