"""One test of the storm, and what became of it, as plain values."""

from __future__ import annotations

import random
from dataclasses import asdict, dataclass, field
from typing import Any


@dataclass
class Kill:
    """A kill that hit: of what, in which state of the test, and how soon it went on [s]."""

    what: str
    state: str
    back: float | None = None


@dataclass
class Case:
    """One test. `name` and `seed` repeat it alone; `wrong` are invariants that did not hold.

    `lost` are the cycles that each resumption says its record lacks, `cycles` is the number at
    the end and `undisturbed` that of the same test with nothing done to it, 0 where none is known.
    """

    name: str
    seed: int
    kills: list[Kill] = field(default_factory=list)
    resumes: int = 0
    done: dict[str, int] = field(default_factory=dict)
    lost: list[int] = field(default_factory=list)
    outcome: str = ""
    cycles: int = 0
    undisturbed: int = 0
    wrong: list[str] = field(default_factory=list)
    took: float = 0.0

    def count(self, what: str, times: int = 1) -> None:
        """Note that something was done to the test."""
        self.done[what] = self.done.get(what, 0) + times

    def expect(self, holds: bool, what: str) -> None:
        """Note what does not hold."""
        if not holds:
            self.wrong.append(what)

    def random(self) -> random.Random:
        """Return what decides everything in this test."""
        return random.Random(f"{self.name} {self.seed}")

    def to_plain(self) -> dict[str, Any]:
        """Return it as plain values."""
        return asdict(self)

    @staticmethod
    def from_plain(values: dict[str, Any]) -> Case:
        """Return what `to_plain` made plain."""
        kills = [Kill(**kill) for kill in values.pop("kills")]
        return Case(kills=kills, **values)
