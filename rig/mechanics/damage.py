"""Damage of many kinds of cycles, and which part of a specimen goes first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import median

from rig.mechanics.life import Kind, Life


def miner_sum(counts: Iterable[float], lives: Iterable[float]) -> float:
    """Return the Palmgren-Miner sum of n / N; `lives` are cycles (not logarithms), inf: no damage.

    ValueError where the two are not of one length. At 1 the part is expected to fail, half of
    the time for mean lives.
    """
    return sum((_share(n, life) for n, life in zip(counts, lives, strict=True)), 0.0)


def _share(count: float, life: float) -> float:
    if count <= 0.0 or life == math.inf:
        return 0.0
    return count / life if life > 0.0 else math.inf


def cycles(log10_cycles: float) -> float:
    """Return the cycles of a logarithm of them, infinite where no number holds them."""
    return 10.0**log10_cycles if log10_cycles < 300.0 else math.inf


@dataclass(frozen=True, slots=True)
class FirstPart:
    """Which part is expected to fail first.

    `part` is the one whose models have the smaller median ("" where none ever fails),
    `log10_cycles` that median. `spans` are the shortest and longest life by part; it is `sure`
    where no model of another part is shorter than any of its own.
    """

    part: str
    log10_cycles: float
    sure: bool
    spans: Mapping[str, tuple[float, float]]


def first_part(lives: Iterable[Life], kind: Kind = "mean") -> FirstPart:
    """Return which part goes first by the lives of one kind: means are never set beside others.

    Single numbers only. Lives out of their model's range count as well: they are all there is.
    """
    by_part: dict[str, list[float]] = {}
    for life in lives:
        if life.kind == kind:
            by_part.setdefault(life.part, []).append(float(life.log10_cycles))
    spans = {part: (min(logs), max(logs)) for part, logs in by_part.items()}
    middles = {part: median(logs) for part, logs in by_part.items()}
    ends = {part: middle for part, middle in middles.items() if middle < math.inf}
    if not ends:
        return FirstPart("", math.inf, False, spans)
    part = min(ends, key=ends.__getitem__)
    others = [least for other, (least, _) in spans.items() if other != part]
    return FirstPart(part, ends[part], all(spans[part][1] <= least for least in others), spans)
