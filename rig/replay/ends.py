"""What ends a test: candidates in the order in which a test that is carried out acts on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rig.criteria.findings import Finding
from rig.replay.found import Found

TRIP, DOUBT, FINDING = 0, 1, 2
"""Of what becomes known in one tick a limit goes first, then a sensor in doubt, then findings."""
ENDING: Final = frozenset({"failure", "fault", "run-out"})
"""Actions of findings that end a test, and the outcomes they end it with."""


@dataclass(frozen=True, slots=True)
class End:
    """An end at `tick`, known with `frame` frames; `cycle` is the count, None where it is by time.

    `first_seen` and `confirmed` are those of a criterion, None for other ends.
    """

    tick: int
    rank: int
    frame: int
    outcome: str
    why: str
    found: Found
    cycle: int | None = None
    first_seen: int | None = None
    confirmed: int | None = None

    @property
    def order(self) -> tuple[int, int, int]:
        """What comes first of two ends."""
        return self.tick, self.rank, self.frame


@dataclass(frozen=True, slots=True)
class Noted:
    """Something found that ends nothing, acted upon at `tick`."""

    tick: int
    rank: int
    found: Found


def found_of(finding: Finding) -> Found:
    """Return a criterion's finding as a replay tells it."""
    return Found(finding.kind, finding.cycle, finding.text, finding.action)


def end_of(finding: Finding, tick: int) -> End:
    """Return the end that a finding of a criterion brings."""
    return End(
        tick,
        FINDING,
        finding.frame,
        finding.action,
        finding.text,
        found_of(finding),
        finding.cycle,
        finding.first_seen,
        finding.cycle,
    )


def first_of(ends: list[End]) -> End | None:
    """Return the end that comes first, None where there is none."""
    return min(ends, key=lambda end: end.order, default=None)


def before(noted: list[Noted], end: End | None) -> tuple[Found, ...]:
    """Return what was found up to an end, in the order found; all of it where there is none.

    Of what becomes known in the tick of the end only that is acted upon which goes before it.
    """
    order = sorted(noted, key=lambda n: (n.tick, n.rank))
    if end is None:
        return tuple(n.found for n in order)
    found = [n.found for n in order if (n.tick, n.rank) <= (end.tick, end.rank)]
    if end.rank != FINDING:
        found = [n.found for n in order if (n.tick, n.rank) < (end.tick, end.rank)]
    return (*(f for f in found if f != end.found), end.found)
