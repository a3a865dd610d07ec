"""What was looked for and seen on the specimens: k of n, a group and a sign each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.lives.shares import clopper_pearson

if TYPE_CHECKING:
    from rig.protocol.series import Series


@dataclass(frozen=True, slots=True)
class Seen:
    """On `seen` of `looked` specimens of a group of `specimens`; low and high of the share."""

    group: str
    looked_for: str
    seen: int
    looked: int
    specimens: int
    low: float
    high: float
    confidence: float


def group_of_each(series: Series) -> dict[str, str]:
    """Return the group of each specimen, void ones too: what was seen on it was seen."""
    of = {entry.specimen: entry.group for entry in series.ultimates}
    return of | {entry.specimen: entry.group for entry in series.lives}


def counted(series: Series, looked_for: str, groups: Iterable[str]) -> tuple[int, int]:
    """Return on how many specimens of the groups a sign was seen, and on how many looked for.

    A specimen counts once, however often it was looked at.
    """
    wanted, of = set(groups), group_of_each(series)
    found: dict[str, bool] = {}
    for observation in series.observations:
        specimen = observation.specimen
        if observation.looked_for == looked_for and of.get(specimen) in wanted:
            found[specimen] = found.get(specimen, False) or observation.seen
    return sum(found.values()), len(found)


def seen_of(series: Series, confidence: float = 0.95) -> tuple[Seen, ...]:
    """Return what was seen, sign by sign in the order of the file, and group by group.

    Groups in which nobody looked for a sign are left out: not looked is not unseen. The interval
    of the share is that of Clopper and Pearson.
    """
    of = group_of_each(series)
    result = []
    for sign in dict.fromkeys(o.looked_for for o in series.observations):
        for group in series.groups:
            seen, looked = counted(series, sign, [group])
            share = clopper_pearson(seen, looked, confidence)
            if share:
                many = sum(name == group for name in of.values())
                result.append(
                    Seen(group, sign, seen, looked, many, share.low, share.high, confidence)
                )
    return tuple(result)
