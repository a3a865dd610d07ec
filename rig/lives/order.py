"""The order in which specimens are tested, drawn from a seed.

An order by groups costs the fewest changes of exposure, but whatever drifts with time (age of the
concrete, oil, people) is then taken for the group. A drawn order keeps both apart; drawn within
blocks that hold some of each group it also balances them over time.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.stations import schedule

if TYPE_CHECKING:
    from rig.lives.stations import Schedule, Specimen

DRAWN: Final = "drawn"
IN_BLOCKS: Final = "drawn within blocks"
BY_GROUPS: Final = "group by group"


@dataclass(frozen=True, slots=True)
class Ordered:
    """One order and what it comes to."""

    name: str
    order: tuple[Specimen, ...]
    schedule: Schedule


def drawn(specimens: Sequence[Specimen], rng: np.random.Generator) -> tuple[Specimen, ...]:
    """Return specimens in a drawn order, all orders alike likely."""
    return tuple(specimens[i] for i in rng.permutation(len(specimens)))


def drawn_in_blocks(
    specimens: Sequence[Specimen], rng: np.random.Generator
) -> tuple[Specimen, ...]:
    """Return specimens in blocks, each with its share of every group, drawn within the block.

    There are as many blocks as the smallest group has specimens.
    """
    groups: dict[str, list[Specimen]] = {}
    for specimen in specimens:
        groups.setdefault(specimen.group, []).append(specimen)
    blocks: list[list[Specimen]] = [[] for _ in range(min(map(len, groups.values()), default=0))]
    for members in groups.values():
        for place, i in enumerate(rng.permutation(len(members))):
            blocks[place * len(blocks) // len(members)].append(members[i])
    return tuple(block[i] for block in blocks for i in rng.permutation(len(block)))


def by_groups(specimens: Sequence[Specimen]) -> tuple[Specimen, ...]:
    """Return specimens exposure by exposure, group by group, each as given."""
    exposures = list(dict.fromkeys(specimen.exposure for specimen in specimens))
    groups = list(dict.fromkeys(specimen.group for specimen in specimens))
    return tuple(
        sorted(specimens, key=lambda s: (exposures.index(s.exposure), groups.index(s.group)))
    )


def orders(
    companions: Sequence[Specimen],
    lives: Sequence[Specimen],
    stations: int,
    exposure_change: float,
    seed: int,
) -> tuple[Ordered, ...]:
    """Return orders drawn from a seed, and the one group by group, each with what it costs.

    In a drawn order companions come before lives, as load levels are shares of what they bore.
    `exposure_change` [s] is what a station needs to be rebuilt.
    """
    chosen = {BY_GROUPS: by_groups([*companions, *lives])}
    for name, draw in ((DRAWN, drawn), (IN_BLOCKS, drawn_in_blocks)):
        rng = np.random.default_rng(seed)
        chosen[name] = (*draw(companions, rng), *draw(lives, rng))
    return tuple(
        Ordered(name, chosen[name], schedule(chosen[name], stations, exposure_change))
        for name in (DRAWN, IN_BLOCKS, BY_GROUPS)
    )
