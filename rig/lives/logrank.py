"""The exact log-rank test: log-rank scores permuted over the specimens, with their run-outs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.censored import checked
from rig.lives.score_sums import (
    ALIKE,
    drawn_sums,
    exact_sums,
    ways_to_farthest,
    ways_to_smallest,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from rig.lives.censored import BoolArray
    from rig.lives.score_sums import Stratum
    from rig.samples import FloatArray

ASSUMPTIONS: Final = (
    "The exact test assumes one run-out count, fixed beforehand and equal for all, and specimens "
    "that could as well have been given to the other group."
)

MOST_DRAWS: Final = 20_000
MOST_DRAWN: Final = 20_000_000
"""Random numbers of a sample of arrangements at most; many specimens get fewer draws."""

Batches = Sequence[str | None]


@dataclass(frozen=True, slots=True)
class LogRank:
    """The log-rank test of group a against b.

    `observed_minus_expected` is that of the failures of a: below zero where a lives longer. The
    one-sided p is for "a lives longer"; the two-sided one counts arrangements whose |O - E| is at
    least as large. The smallest p are the least that these lives and run-outs could have given
    in any arrangement. `arrangements` is how many there are; `exact` whether all were counted;
    `stratified` whether they stay within batches.
    """

    observed_minus_expected: float
    p_exact_two_sided: float
    p_exact_one_sided: float
    smallest_p_one_sided: float
    smallest_p_two_sided: float
    arrangements: int
    exact: bool
    stratified: bool
    warnings: tuple[str, ...]


def scores(cycles: ArrayLike, failed: ArrayLike) -> FloatArray:
    """Return the log-rank score of each life [cycles] (..., n) among the n, `failed` (..., n).

    A failure counts 1, less the Nelson-Aalen sum of hazards up to the life; a run-out at the life
    of a failure outlives it. They add up to 0, and those of a group to its O - E of the log-rank
    test (Callaert, The American Statistician 57 (2003) 214; from memory). ValueError for lives
    that cannot be.
    """
    lives, ends = checked(cycles, failed)
    n = lives.shape[-1]
    if not n:
        return np.zeros_like(lives)
    order = np.argsort(lives, axis=-1, kind="stable")
    sorted_lives = np.take_along_axis(lives, order, axis=-1)
    sorted_ends = np.take_along_axis(ends, order, axis=-1)
    place = np.broadcast_to(np.arange(n), lives.shape)
    begins = np.ones(lives.shape, dtype=np.bool_)
    begins[..., 1:] = sorted_lives[..., 1:] != sorted_lives[..., :-1]
    first = np.maximum.accumulate(np.where(begins, place, 0), axis=-1)
    # Each tie adds its failures over those at risk; so do its specimens one by one, and all of
    # them have outlived the whole tie.
    added = np.cumsum(sorted_ends / (n - first), axis=-1)
    finishes = np.ones(lives.shape, dtype=np.bool_)
    finishes[..., :-1] = begins[..., 1:]
    last = np.where(finishes, place, n - 1)[..., ::-1]
    last = np.minimum.accumulate(last, axis=-1)[..., ::-1]
    hazard = np.take_along_axis(added, last, axis=-1)
    result = np.empty_like(lives)
    np.put_along_axis(result, order, sorted_ends - hazard, axis=-1)
    return result


def logrank(
    a_cycles: ArrayLike,
    a_failed: ArrayLike,
    b_cycles: ArrayLike,
    b_failed: ArrayLike,
    a_batch: Batches | None = None,
    b_batch: Batches | None = None,
    seed: int = 0,
) -> LogRank:
    """Test lives [cycles] of a (n,) and b (m,) against each other, by permutation.

    With the batch of each specimen the scores are those of its batch and arrangements stay within
    it. All arrangements are counted where a few million sums hold them, else a sample from `seed`
    is drawn. What the test assumes and these lives do not keep is in `warnings`. ValueError for
    lives that cannot be, or batches that are not one a specimen.
    """
    a, b = checked(a_cycles, a_failed), checked(b_cycles, b_failed)
    lives, ends = (np.concatenate(pair) for pair in zip(a, b, strict=True))
    is_a = np.arange(len(lives)) < len(a[0])
    warnings = _about_groups(lives, ends, is_a)
    batches, about_batches = _batches(a_batch, b_batch, is_a)
    warnings += about_batches
    strata: list[Stratum] = []
    observed = 0.0
    for batch in dict.fromkeys(batches):
        of = np.array([other == batch for other in batches], dtype=np.bool_)
        values = scores(lives[of], ends[of])
        observed += float(values[is_a[of]].sum())
        strata.append((values, int(is_a[of].sum())))
    arrangements = math.prod(math.comb(len(values), k) for values, k in strata)
    sums = exact_sums(strata)
    if sums is None:
        draws = max(1000, min(MOST_DRAWS, MOST_DRAWN // len(lives)))
        sums = drawn_sums(strata, draws, seed)
        warnings.append(
            "there are too many arrangements to count all: p is of a sample of "
            f"{draws:,}, seed {seed}"
        )
    return LogRank(
        observed_minus_expected=observed,
        p_exact_two_sided=sums.share(np.abs(sums.sums) >= abs(observed) - ALIKE),
        p_exact_one_sided=sums.share(sums.sums <= observed + ALIKE),
        smallest_p_one_sided=ways_to_smallest(strata) / arrangements,
        smallest_p_two_sided=ways_to_farthest(strata) / arrangements,
        arrangements=arrangements,
        exact=sums.exact,
        stratified=len(strata) > 1,
        warnings=tuple(warnings),
    )


def _about_groups(lives: FloatArray, ends: BoolArray, is_a: BoolArray) -> list[str]:
    """Return what the test assumes of run-outs and these do not keep."""
    for name, of in (("a", is_a), ("b", ~is_a)):
        if not of.any():
            return [f"group {name} has no specimen: there is nothing to compare"]
    if not ends.any():
        return ["nobody failed: nothing tells the groups apart"]
    if ends.all():
        return []
    found = []
    first, last = float(lives[~ends].min()), float(lives[~ends].max())
    if first < last:
        found.append(
            f"run-outs end at {first:,.0f} to {last:,.0f} cycles: the exact test assumes one "
            "run-out count, fixed beforehand and equal for all"
        )
    latest = float(lives[ends].max())
    if first < latest:
        found.append(
            f"a run-out ended at {first:,.0f} cycles, before a failure at {latest:,.0f}: its "
            "run-out count was not that of the others"
        )
    return found


def _batches(
    a: Batches | None, b: Batches | None, is_a: BoolArray
) -> tuple[list[str | None], list[str]]:
    """Return the batch within which each specimen is permuted, and what is to be said of it."""
    whole: list[str | None] = [None] * len(is_a)
    if a is None and b is None:
        return whole, []
    given = [*(a or [None] * int(is_a.sum())), *(b or [None] * int((~is_a).sum()))]
    if len(given) != len(is_a):
        raise ValueError(f"{len(given)} batches for {len(is_a)} specimens: one of each a specimen")
    if None in given:
        missing = given.count(None)
        said = f"{missing} of {len(given)} specimens have no batch: batches are left out"
        return whole, [said] if missing < len(given) else []
    of_a = {batch for batch, one in zip(given, is_a, strict=True) if one}
    of_b = {batch for batch, one in zip(given, is_a, strict=True) if not one}
    if not of_a & of_b:
        if not of_a or not of_b:
            return whole, []
        return whole, [
            "no batch has specimens of both groups: what the batch does and what the group does "
            "cannot be told apart; arrangements go over all"
        ]
    alone = sorted(str(batch) for batch in of_a ^ of_b)
    if alone:
        return given, [f"batch {', '.join(alone)}: of one group only, which tells nothing here"]
    return given, []
