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


def drawn(specimens: Sequence[Specimen], seed: int) -> tuple[Specimen, ...]:
    """Return specimens in an order drawn from a seed, all orders alike likely."""
    rng = np.random.default_rng(seed)
    return tuple(specimens[i] for i in rng.permutation(len(specimens)))


def drawn_in_blocks(specimens: Sequence[Specimen], seed: int) -> tuple[Specimen, ...]:
    """Return specimens in blocks, each with its share of every group, drawn within the block.

    There are as many blocks as the smallest group has specimens.
    """
    rng = np.random.default_rng(seed)
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
    specimens: Sequence[Specimen], stations: int, exposure_change: float, seed: int
) -> tuple[Ordered, ...]:
    """Return the drawn orders and the one group by group, each with what it costs.

    `exposure_change` [s] is what a station needs to be rebuilt.
    """
    chosen = (
        (DRAWN, drawn(specimens, seed)),
        (IN_BLOCKS, drawn_in_blocks(specimens, seed)),
        (BY_GROUPS, by_groups(specimens)),
    )
    return tuple(
        Ordered(name, order, schedule(order, stations, exposure_change)) for name, order in chosen
    )
