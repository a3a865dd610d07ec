"""The mean capacity of a group and its error, which all load levels of the group share."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from rig.lives.fieller import moments
from rig.lives.grouped import has_load
from rig.units import parse

if TYPE_CHECKING:
    from rig.protocol.series import Series, Ultimate

    Told = Callable[[Series, str], "Capacity | None"]

ASSUMED: Final = 0.06
"""Variation of ultimate loads where one companion tells none. Common practice, no source."""


STRENGTH: Final = ("strength_variation", "strength_companions")
"""Factors of a group that tell the error of its mean strength of concrete: "5 %" and 3."""

STRENGTH_TOLD: Final = "variation and count of strength specimens"
"""What these factors tell, in words."""

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


def strength_of(series: Series, group: str) -> Capacity | None:
    """Return the mean strength of the concrete of a group, as its factors tell it, else None.

    They are `STRENGTH`: the variation of the companions and how many there were. None too where
    they cannot be read.
    """
    try:
        variation, n = (series.groups[group][key] for key in STRENGTH)
        told = capacity(parse(variation, "fraction"), int(n), (f"strength of {group}",))
    except (KeyError, ValueError, ZeroDivisionError):
        return None
    return told if told.variation >= 0.0 and int(n) > 0 else None


def pooled_capacities(
    series: Series, specimens: dict[str, int], of: Told = capacity_of
) -> tuple[Capacity, ...]:
    """Return the capacities of several groups, by how many specimens each has.

    `of` tells that of one group: `capacity_of` or `strength_of`. Groups of which it tells none are
    left out: their error is not known.
    """
    total = sum(specimens.values())
    return tuple(
        replace(found, weight=n / total)
        for group, n in specimens.items()
        if n and (found := of(series, group)) is not None
    )


def capacity(variation: float, n: int, companions: Sequence[str] = (), note: str = "") -> Capacity:
    """Return the capacity of n companions, n at least 1, with a coefficient of variation."""
    if n < 2:
        note = note or (
            f"one companion tells no variation: {100 * ASSUMED:.0f} % is taken, common practice, "
            "no source"
        )
        return Capacity(tuple(companions), ASSUMED, ASSUMED, math.inf, note=note)
    return Capacity(tuple(companions), variation, variation / math.sqrt(n), n - 1, note=note)


def _capacity(ultimates: Sequence[Ultimate], note: str) -> Capacity | None:
    if not ultimates:
        return None
    found = moments([u.load for u in ultimates if u.load is not None])
    names = tuple(sorted(u.specimen for u in ultimates))
    return capacity(found.variation or 0.0, found.n, names, note)
