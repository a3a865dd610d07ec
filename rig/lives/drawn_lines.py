"""Draws of the coefficients of a line through ln lives with run-outs, from what few lives can tell.

A parametric bootstrap of the signed root of the likelihood ratio: series like the tested one are
drawn and fitted, and for each coefficient it is seen how far the likelihood falls at the value they
were drawn with. Where the likelihood of the tested lives falls as far, there lies a draw (DiCiccio,
Martin and Stern, Can. J. Stat. 29 (2001) 67; from memory). Where all fail this is Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.location_scale import maximum

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rig.lives.censored import BoolArray
    from rig.samples import FloatArray

NO_SCATTER: Final = 1e-9
STEPS: Final = np.sinh(np.linspace(-4.5, 4.5, 91))
"""Distances from the estimate, in its rough standard errors, at which the likelihood is found."""


@dataclass(frozen=True, slots=True)
class DrawnLine:
    """Coefficients (p,), scatter, draws (p, kept) and which share of the series drawn had no fit.

    Without scatter the draws are the coefficients.
    """

    beta: FloatArray
    sigma: float
    draws: FloatArray
    lost: float


def drawn_line(
    logs: FloatArray,
    failed: BoolArray,
    cut: FloatArray,
    columns: Sequence[FloatArray],
    rng: np.random.Generator,
    draws: int,
) -> DrawnLine:
    """Fit ln lives (n,), run-outs not `failed`, to `columns` (n, 1), and draw the coefficients.

    `cut` (n,) is where each specimen would have run out, infinite where it never would.
    """
    best = maximum("lognormal", logs[:, None], failed[:, None], columns)
    beta, sigma = best.beta[:, 0], float(best.sigma[0])
    if not sigma > NO_SCATTER:
        return DrawnLine(beta, 0.0, np.repeat(beta[:, None], draws, axis=1), 0.0)
    middle = sum((b * column for b, column in zip(beta, columns, strict=True)), np.zeros((1, 1)))
    again = np.minimum(middle + sigma * rng.standard_normal((len(logs), draws)), cut[:, None])
    ends = again < cut[:, None]
    free = maximum("lognormal", again, ends, columns)
    roots = np.array(
        [
            _roots(again, ends, columns, i, free.log_likelihood, free.beta[i], np.full(draws, b))
            for i, b in enumerate(beta)
        ]
    )
    kept = np.isfinite(roots).all(axis=0) & (free.sigma > 1e-6 * sigma)
    found = [
        _where(logs, failed, columns, i, float(best.log_likelihood[0]), beta, sigma, roots[i, kept])
        for i in range(len(beta))
    ]
    return DrawnLine(beta, sigma, np.array(found), 1.0 - float(kept.mean()))


def _roots(
    logs: FloatArray,
    failed: BoolArray,
    columns: Sequence[FloatArray],
    i: int,
    free: FloatArray,
    estimates: FloatArray,
    at: FloatArray,
) -> FloatArray:
    """Return the signed roots (k,) of coefficient `i` at values (k,), above 0 where it is above."""
    others = [column for j, column in enumerate(columns) if j != i]
    held = maximum("lognormal", logs - columns[i] * at, failed, others)
    fall = np.maximum(free - held.log_likelihood, 0.0)
    roots: FloatArray = np.sign(estimates - at) * np.sqrt(2.0 * fall)
    return roots


def _where(
    logs: FloatArray,
    failed: BoolArray,
    columns: Sequence[FloatArray],
    i: int,
    free: float,
    beta: FloatArray,
    sigma: float,
    roots: FloatArray,
) -> FloatArray:
    """Return the values of coefficient `i` at which its signed roots are these (k,)."""
    told = float((columns[i][failed] ** 2).sum()) or 1.0
    grid = beta[i] + STEPS * sigma / np.sqrt(told)
    k = len(grid)
    found = _roots(
        np.repeat(logs[:, None], k, axis=1),
        np.repeat(failed[:, None], k, axis=1),
        columns,
        i,
        np.full(k, free),
        np.full(k, beta[i]),
        grid,
    )
    known = np.isfinite(found)
    # The roots fall along the grid; rounding near the estimate must not turn them.
    falling = np.minimum.accumulate(found[known])
    values: FloatArray = np.interp(roots, falling[::-1], grid[known][::-1])
    return values
