"""What would decide a hypothesis that is left open, or tell what a verdict comes from.

Nothing here is a plan: how often a series of some size would show a difference is `planned`.
"""

from __future__ import annotations

import math
from itertools import product
from typing import TYPE_CHECKING, Final

from rig.lives.null_sums import reached
from rig.protocol.series import EQUAL_CONCRETE, EQUAL_LOAD

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from rig.lives.confounding import GoesAlong
    from rig.protocol.series import Hypothesis

MOST_MORE: Final = 1000
"""Specimens of one group that are added in thought at most."""
_KINDS: Final = {"ultimate": "ultimate loads"}
_NEEDED: Final = {"ultimate": "an ultimate load", "observation": "a look"}
_OF_LIVES: Final = "by run-outs, or within batches"
_HINDERS: Final = {
    "life": _OF_LIVES,
    EQUAL_LOAD: _OF_LIVES,
    EQUAL_CONCRETE: _OF_LIVES,
    "ultimate": "by equal loads",
    "observation": "by how often the sign is seen in all",
}
"""What keeps a p from the least that sizes alone allow, by quantity."""
PLAN: Final = (
    "how many specimens would show a difference that is there, and how often: nightrig plan"
)


def would_decide(
    hypothesis: Hypothesis,
    verdict: str,
    sizes: tuple[int, int],
    smallest_p: float | None,
    along: Sequence[str],
    level: float,
) -> tuple[str, ...]:
    """Return lines for people, at a significance `level`.

    `sizes` are the specimens of the groups expected higher and of those expected lower; `along` is
    what goes along with the groups, as `goes_along` finds it.
    """
    if verdict in ("favoured", "disfavoured"):
        return (
            "specimens of another batch, dealt to the groups by lot and tested in a drawn order, "
            "would tell whether it comes again"
            + (" without what differs besides the group" if along else ""),
        )
    if not all(sizes):
        return (f"{_NEEDED.get(hypothesis.quantity, 'a life')} of either side",)
    if verdict == "open":
        more = "more specimens"
        if hypothesis.quantity not in ("life", "ultimate", "observation"):
            more += ", more companions for the mean capacities, lives at a second level"
        return (f"{more}: the interval says how much is still possible", PLAN)
    if smallest_p is not None and smallest_p > 1.0 - 1e-9:
        return (_nothing_to_tell(hypothesis.quantity),)
    return (_more(hypothesis.quantity, sizes, level), PLAN)


def _nothing_to_tell(quantity: str) -> str:
    if quantity == "observation":
        return "all or none show the sign: more specimens, until some do and others do not"
    if quantity == "ultimate":
        return "loads that differ: all are alike"
    return "failures: where all run out, no number of specimens tells the groups apart"


def _more(quantity: str, sizes: tuple[int, int], level: float) -> str:
    """Say how many more of the fewer could reach the level, where every outcome is possible."""
    one, other = sizes
    for _ in range(MOST_MORE):
        if reached(1.0 / math.comb(one + other, one), level):
            break
        if one <= other:
            one += 1
        else:
            other += 1
    if (one, other) == sizes:
        here = f"yet here it is hindered {_HINDERS[quantity]}"
        return f"{one} against {other} could reach {level:g}, {here}"
    least = 1.0 / math.comb(one + other, one)
    return (
        f"{one} against {other} instead of {sizes[0]} against {sizes[1]}: the least p is then "
        f"{least:.2g}, if it is not hindered {_HINDERS[quantity]}"
    )


def goes_along(hypothesis: Hypothesis, found: Iterable[GoesAlong]) -> tuple[str, ...]:
    """Return what of `confounding.going_along` is of a pair that a hypothesis sets apart."""
    kind = _KINDS.get(hypothesis.quantity, "lives")
    pairs = {frozenset(pair) for pair in product(hypothesis.higher, hypothesis.lower)}
    lines = (str(each) for each in found if each.kind == kind and frozenset(each.of) in pairs)
    return tuple(dict.fromkeys(lines))
