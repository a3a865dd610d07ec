"""Mechanics against libraries of others, live: `python3 bootstrap.py oracles`.

    python -m tests.mechanics.oracles [--all]

Sections of the table `sections.json` are asked of both libraries once more, so that the table is
what they say: all of them of structuralcodes, every fourth of concreteproperties, which is slow
(`--all`: all). Then our mechanics is asked, beams without bond among it, and the closed
forms of bending against a solver.
Ends with 1 where something differs by more than is allowed.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from tests.mechanics import oracle_beams, oracle_bond
from tests.mechanics.drawn_sections import from_plain
from tests.mechanics.oracle_sections import (
    LIBRARIES,
    TABLE,
    breaking,
    by_concreteproperties,
    by_structuralcodes,
)
from tests.mechanics.section_states import STATES, at_breaking

KEPT: Final = 1e-5
"""Relative difference between what a library says and what the table kept of it: seven digits,
and what a solver that stops at a tolerance may find on another computer."""
CLOSE: Final = 3e-4
"""Relative difference between our mechanics and a library (see test_drawn_sections)."""
BEAMS: Final = 1e-6
BOND: Final = 1e-4
"""Relative difference of tendon stresses: between two rules that sum over stations."""

TINY: Final = 1e-300

Pair = tuple[str, float, float]


@dataclass(frozen=True, slots=True)
class Comparison:
    """How far values are apart: `worst` and of what, and how far they may be."""

    title: str
    values: int
    worst: float
    what: str
    allowed: float

    def __str__(self) -> str:
        verdict = "agree" if self.agrees else "DIFFER"
        return (
            f"{self.title}: {self.values} values {verdict}, "
            f"{self.worst:.1e} of {self.allowed:.0e} at most ({self.what})"
        )

    @property
    def agrees(self) -> bool:
        """Whether there are values and none is too far off (nan is)."""
        return self.values > 0 and self.worst <= self.allowed


def comparison(title: str, pairs: Iterable[Pair], allowed: float) -> Comparison:
    """Return how far pairs of values are apart, relative to the second."""
    apart = [(abs(ours - theirs) / (abs(theirs) or TINY), what) for what, ours, theirs in pairs]
    # nan is larger than any number here, not smaller than all of them.
    worst, what = max(apart, key=lambda pair: (pair[0] != pair[0], pair[0]), default=(0.0, "-"))
    return Comparison(title, len(apart), worst, what, allowed)


def said_again(rows: list[dict[str, Any]], library: str, step: int) -> Iterable[Pair]:
    """Give what a library says now, and what the table kept of it."""
    ask = {"concreteproperties": by_concreteproperties, "structuralcodes": by_structuralcodes}
    for row in rows[::step]:
        for name, value in ask[library](from_plain(row)).items():
            yield name, value, row[library][name]


def broken_again(rows: list[dict[str, Any]]) -> Iterable[Pair]:
    """Give what structuralcodes says of sections whose tendon breaks, and what was kept."""
    for row in rows:
        for name, value in breaking(from_plain(row))["structuralcodes"].items():
            yield name, value, row["structuralcodes"][name]


def ours(rows: list[dict[str, Any]], library: str, states: Iterable[Any]) -> Iterable[Pair]:
    """Give what our mechanics says, and what a library does."""
    for row in rows:
        specimen = from_plain(row)
        for state in states:
            for name, value in state(specimen, row[library]).items():
                yield name, value, row[library][name]


def comparisons(step: int) -> Iterable[Comparison]:
    """Make all comparisons, one after the other."""
    table = json.loads(TABLE.read_text(encoding="utf-8"))
    crushing, breaks = table["crushing"], table["breaking"]
    for library in LIBRARIES:
        every = step if library == "concreteproperties" else 1
        again = said_again(crushing, library, every)
        yield comparison(f"{library} as in the table", again, KEPT)
        yield comparison(f"mechanics beside {library}", ours(crushing, library, STATES), CLOSE)
    yield comparison("structuralcodes, breaking, as in the table", broken_again(breaks), KEPT)
    states = ours(breaks, "structuralcodes", [at_breaking])
    yield comparison("mechanics beside structuralcodes, breaking", states, CLOSE)
    yield comparison("tendons without bond beside sums", oracle_bond.compared(), BOND)
    yield comparison("bending beside indeterminatebeam", oracle_beams.compared(), BEAMS)


def main(arguments: list[str]) -> int:
    """Print a line for each comparison and return 1 where one fails."""
    if arguments not in ([], ["--all"]):
        print(f"oracles: {' '.join(arguments)!r}: give nothing, or --all", file=sys.stderr)
        return 2
    failed = 0
    for found in comparisons(1 if arguments else 4):
        print(found, flush=True)
        failed += not found.agrees
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
