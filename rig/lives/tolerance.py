"""The life that a share of all specimens outlives, said with a confidence: tolerance bounds."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.lives.censored import LEAST_SPREAD, checked

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class Tolerance:
    """`life` [cycles] is outlived by a `share` of specimens, said with `confidence`.

    It is the mean of ln life less `factor` standard deviations. None where `note` says why.
    """

    life: float | None
    factor: float | None
    share: float
    confidence: float
    note: str


def tolerance_factor(n: int, share: float, confidence: float) -> float:
    """Return k of the one-sided bound, mean - k standard deviations, of n normal values.

    The exact one, by the noncentral t distribution (ISO 16269-6; Owen 1963; from memory).
    ValueError for fewer than two values, or a share or confidence not between 0 and 1.
    """
    if n < 2:
        raise ValueError(f"{n} values: a tolerance bound needs 2 at least")
    for name, one in (("share", share), ("confidence", confidence)):
        if not 0.0 < one < 1.0:
            raise ValueError(f"a {name} of {one:g}: it must lie between 0 and 1")
    from scipy.special import nctdtrit, ndtri

    root = math.sqrt(n)
    return float(nctdtrit(n - 1, float(ndtri(share)) * root, confidence)) / root


def tolerance_bound(
    cycles: ArrayLike, failed: ArrayLike, share: float = 0.90, confidence: float = 0.95
) -> Tolerance:
    """Return the lower tolerance bound of lognormal lives [cycles] (n,), `failed` (n,).

    Run-outs forbid it: the factor is that of a mean and a standard deviation, which they hide.
    ValueError for lives that cannot be, or a share or confidence not between 0 and 1.
    """
    lives, ends = checked(cycles, failed)
    factor = tolerance_factor(max(len(lives), 2), share, confidence)
    why = ""
    if len(lives) < 2:
        why = f"{len(lives)} specimen: a tolerance bound needs 2 at least"
    elif not ends.all():
        why = f"{int((~ends).sum())} of {len(lives)} ran out: their lives are not known"
    logs = np.log(lives)
    if not why and np.ptp(logs) <= LEAST_SPREAD * max(1.0, float(np.abs(logs).max())):
        why = "all lives are equal: they show no scatter"
    if why:
        return Tolerance(None, None, share, confidence, why)
    bound = math.exp(float(logs.mean()) - factor * float(logs.std(ddof=1)))
    return Tolerance(bound, factor, share, confidence, "lognormal lives are assumed")
