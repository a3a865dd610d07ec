"""The mean capacity of a group and its error, which all load levels of the group share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from rig.lives.fieller import moments
from rig.lives.grouped import has_load

if TYPE_CHECKING:
    from rig.protocol.series import Series, Ultimate

ASSUMED: Final = 0.06
"""Variation of ultimate loads where one companion tells none. Common practice, no source."""


SHAPE: Final = ("specimen", "geometry")
"""Factors in which companions must agree."""


@dataclass(frozen=True, slots=True)
class Capacity:
    """Companions that a group takes its load levels of.

    `error` is the relative standard error of their mean, `df` its degrees of freedom. `weight` is
    the share of the specimens that stand on these companions. `note` says what is doubtful.
    """

    companions: tuple[str, ...]
    variation: float
    error: float
    df: float
    weight: float = 1.0
    note: str = ""


def capacity_of(series: Series, group: str) -> Capacity | None:
    """Return the capacity of a group by its companions, None where there are none.

    Companions are the ultimate loads of the group, residual and void ones left out; where it has
    none, those of all groups of its exposure that do not differ from it in `SHAPE`.
    """
    loads = [u for u in series.ultimates if has_load(u) and not u.residual]
    own = [u for u in loads if u.group == group]
    if own:
        return _capacity(own, "")
    alike = {name for name in series.groups if _alike(series, group, name)}
    return _capacity(
        [u for u in loads if u.group in alike],
        f"{group} has no companions: those of its exposure are taken",
    )


def _alike(series: Series, one: str, other: str) -> bool:
    """Tell whether two groups have the same exposure, told, and the same shape."""
    a, b = series.groups[one], series.groups[other]
    return "exposure" in a and all(a.get(key) == b.get(key) for key in ("exposure", *SHAPE))


def pooled_capacities(series: Series, specimens: dict[str, int]) -> tuple[Capacity, ...]:
    """Return the capacities of several groups, by how many specimens each has.

    Groups without companions are left out: their error is not known.
    """
    total = sum(specimens.values())
    return tuple(
        replace(capacity, weight=n / total)
        for group, n in specimens.items()
        if n and (capacity := capacity_of(series, group)) is not None
    )


def capacity(variation: float, n: int, companions: Sequence[str] = (), note: str = "") -> Capacity:
    """Return the capacity of n companions, n at least 1, with a coefficient of variation."""
    if n < 2:
        note = note or (
            f"one companion tells no variation: {ASSUMED:.0%} is taken, common practice, no source"
        )
        return Capacity(tuple(companions), ASSUMED, ASSUMED, math.inf, note=note)
    return Capacity(tuple(companions), variation, variation / math.sqrt(n), n - 1, note=note)


def _capacity(ultimates: Sequence[Ultimate], note: str) -> Capacity | None:
    if not ultimates:
        return None
    found = moments([u.load for u in ultimates if u.load is not None])
    names = tuple(sorted(u.specimen for u in ultimates))
    return capacity(found.variation or 0.0, found.n, names, note)
