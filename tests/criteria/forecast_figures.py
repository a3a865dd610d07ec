"""How well forecasts of drawn lives keep their word: coverage, width, silence."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from rig.criteria.forecast import Forecast, foresee
from rig.judging.foretelling import forecast_setup
from tests.criteria.drawn_lives import Life, any_life

NEAR = 0.5  # share of a life from which on a forecast is asked for


@dataclass(frozen=True)
class Followed:
    """What was foretold of one life at each look up to its end."""

    end: int
    wet_from: int
    looks: tuple[Forecast, ...]

    @property
    def shown(self) -> tuple[Forecast, ...]:
        return tuple(look for look in self.looks if look.shown)

    @property
    def late(self) -> tuple[Forecast, ...]:
        """The looks from the middle of its life on."""
        return tuple(look for look in self.looks if look.cycle >= NEAR * self.end)


def followed_life(life: Life) -> Followed:
    """Return what is foretold of a life, look by look."""
    setup = forecast_setup(life.plan)
    rows = life.rows.part(0, life.end)
    state, at, looks = None, 0, []
    while at < len(rows):
        due = state.due if state else setup.baseline_last + setup.block
        state, _ = foresee(setup, state, rows.part(at, min(max(due, at + 1), len(rows))))
        at = min(max(due, at + 1), len(rows))
        if state.newest.cycle == at:
            looks.append(state.newest)
    return Followed(life.end, life.wet_from, tuple(looks))


@dataclass(frozen=True)
class Figures:
    """Over many lives: `inside` of all that was shown, and of the first that was shown of each.

    `width` is the median of highest less lowest life that is left, over the life that was left.
    `silent` is the share of looks from the middle of a life on that show nothing, `never` of
    lives of which nothing is ever shown; `why` are the reasons of silence there, by share.
    """

    lives: int
    shown: int
    inside: float
    first_inside: float
    early: float
    width: float
    silent: float
    never: float
    why: tuple[tuple[str, float], ...]

    def words(self) -> str:
        """Return the figures as lines for people."""
        lines = [
            f"forecasts of {self.lives} simulated lives, {self.shown} looks at which one is shown:",
            f"  true end inside the 80 % interval  {self.inside:6.1%}   (75 to 85 %)",
            f"    the first shown of each life     {self.first_inside:6.1%}",
            f"    ended before the interval        {self.early:6.1%}",
            f"  median width over what was left    {self.width:6.2f}",
            f"  silent from the middle of a life   {self.silent:6.1%}",
            f"  lives of which nothing is shown    {self.never:6.1%}",
            *(f"    silent: {why:<58} {share:6.1%}" for why, share in self.why),
        ]
        return "\n".join(lines)


def figures(seeds: range) -> Figures:
    """Return the figures over lives drawn from seeds."""
    return figures_of([followed_life(any_life(seed)) for seed in seeds])


def figures_of(lives: list[Followed]) -> Figures:
    """Return the figures over lives."""
    pairs = [(look, life.end) for life in lives for look in life.shown]
    inside = [look.low <= end <= look.high for look, end in pairs]
    first = [life.shown[0].low <= life.end <= life.shown[0].high for life in lives if life.shown]
    late = [look for life in lives for look in life.late]
    why = Counter(look.why.partition(":")[0] for look in late if not look.shown)
    return Figures(
        lives=len(lives),
        shown=len(pairs),
        inside=float(np.mean(inside)),
        first_inside=float(np.mean(first)),
        early=float(np.mean([end < look.low for look, end in pairs])),
        width=float(
            np.median([(look.high - look.low) / (end - look.cycle) for look, end in pairs])
        ),
        silent=float(np.mean([not look.shown for look in late])),
        never=float(np.mean([not life.shown for life in lives])),
        why=tuple((words, count / len(late)) for words, count in why.most_common()),
    )
