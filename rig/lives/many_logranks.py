"""The exact log-rank test of thousands of series of one size at once: sums and look-ups."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rig.lives.logrank import scores
from rig.lives.null_sums import MOST, NullSums, null_sums

if TYPE_CHECKING:
    from rig.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Judged:
    """What the exact log-rank test says of simulated series, each (series,)."""

    p: FloatArray
    p_two_sided: FloatArray
    smallest_p: FloatArray
    failures_a: FloatArray
    failures_b: FloatArray


def logrank_scores(n: int) -> FloatArray:
    """Return the log-rank scores (n + 1, n) of n lives in order, a row for 0, 1, ... n failures.

    Those behind the failures are run-outs. The sum over a group is its observed less expected
    failures.
    """
    order = np.arange(n)
    failures = np.arange(n + 1)[:, None]
    return scores(np.broadcast_to(order + 1.0, (n + 1, n)), order < failures)


class LogRanks:
    """The exact log-rank test of series of one size, all without ties but their common run-outs."""

    def __init__(self, n_a: int, n_b: int, seed: int = 0) -> None:
        if min(n_a, n_b) < 1:
            raise ValueError(f"groups of {n_a} and {n_b}: each needs a specimen")
        self.n_a, self.n = n_a, n_a + n_b
        self.scores = logrank_scores(self.n)
        self.exact = math.comb(self.n, n_a) <= MOST
        self._seed = seed
        self._nulls: dict[int, NullSums] = {}

    def null(self, failures: int) -> NullSums:
        """Return what O - E of the first group comes to by chance where so many fail in all."""
        if failures not in self._nulls:
            self._nulls[failures] = null_sums(self.scores[failures], self.n_a, self._seed)
        return self._nulls[failures]

    def judge(self, lives: FloatArray, run_out: float) -> Judged:
        """Return what the test says of lives [cycles] (series, n), those of the first group first.

        What reaches `run_out` runs out there.
        """
        failed = lives < run_out
        order = np.argsort(np.where(failed, lives, np.inf), axis=1)
        in_a = order < self.n_a
        failures = failed.sum(axis=1)
        p, two_sided, smallest = (np.ones(len(lives)) for _ in range(3))
        for count in np.unique(failures):
            some = failures == count
            null = self.null(int(count))
            found = in_a[some] @ self.scores[count]
            p[some] = null.p_low(found)
            two_sided[some] = null.p_away(np.abs(found))
            smallest[some] = null.smallest_p_low
        of_a = failed[:, : self.n_a].sum(axis=1).astype(float)
        return Judged(p, two_sided, smallest, of_a, failures - of_a)
