"""Numbers and words of a comparison, each with its path in the object of `compare --json`."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from rig.report.measure import COUNT, Measure, Part, Words

ROOT: Final = "compare"
NONE: Final = "none"
"""Said for what cannot be worked out."""
UNTOLD: Final = "not told"
"""Said for what nobody told."""

Step = str | int


@dataclass(frozen=True, slots=True)
class Numbers:
    """The object of `compare --json`; a path leads to each value in it."""

    found: Mapping[str, Any]

    def value(self, *path: Step) -> Any:
        """Return what stands at a path, None where nothing does."""
        at: Any = self.found
        for step in path:
            if at is None:
                return None
            at = at[step]
        return at

    def measure(
        self, *path: Step, unit: str = COUNT, digits: int = 3, blank: str = NONE
    ) -> Measure:
        """Return a number as it stands there [`unit`], NaN for null."""
        value = self.value(*path)
        return Measure(math.nan if value is None else float(value), unit, key(*path), digits, blank)

    def words(
        self, *path: Step, kind: Literal["said", "name", "file"] = "said", blank: str = UNTOLD
    ) -> Part:
        """Return a text as it stands there, words of the report's own for null."""
        value = self.value(*path)
        return blank if value is None or value == "" else Words(str(value), key(*path), kind)

    def count(self, one: str, more: str, *path: Step) -> tuple[Part, ...]:
        """Return a count with its noun, for one and for any other number."""
        value = self.value(*path)
        return Measure(float(value), COUNT, key(*path)), f" {one if value == 1 else more}"

    def all_words(self, *path: Step) -> tuple[tuple[Part, ...], ...]:
        """Return each text of a list."""
        texts: Sequence[str] = self.value(*path) or ()
        return tuple((Words(text, key(*path, i)),) for i, text in enumerate(texts))


def key(*path: Step) -> str:
    """Return the key of a path."""
    return ".".join((ROOT, *map(str, path)))


def ranged(value: Measure, low: Measure, high: Measure) -> tuple[Part, ...]:
    """Return a value with its interval, or the bound that alone is known."""
    known, from_, to = (not math.isnan(x.value) for x in (value, low, high))
    if known and (from_ or to):
        return (value, " (", low if from_ else "no end", " to ", high if to else "no end", ")")
    if known or not (from_ or to):
        return (value,)
    if from_ and to:
        return (low, " to ", high)
    return ("at least ", low) if from_ else ("at most ", high)
