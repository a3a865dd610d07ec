"""What happened: one thing, how much it matters, and alike things joined."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Final

END: Final = "end"
"""Kind of the end of a test."""
_NUMBERS: Final = re.compile(r"[−+-]?\d[\d,.]*(?:e[−+-]?\d+)?")


class Rank(IntEnum):
    """How much a thing matters to who comes in the morning, the most first."""

    END = 0
    PAUSE = 1
    SENSOR = 2
    WATER = 3
    SPECIMEN = 4
    REQUEST = 5
    INSPECTION = 6
    CORRECTION = 7
    FORECAST = 8
    OTHER = 9


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing that happened from test time `begin` to `end` [s], at a counted cycle.

    `kind` is one word, `text` says it. Of several alike that were joined `count` is how many, the
    text is that of the last, and `lasted` [s] is how long they took in all; `end` is when the last
    one was, and `varied` tells that their texts differ. A thing that goes on has no end: `open`.
    """

    rank: Rank
    kind: str
    text: str
    begin: float
    end: float
    cycle: int
    count: int = 1
    lasted: float = 0.0
    open: bool = False
    varied: bool = False

    @property
    def likeness(self) -> tuple[Rank, str, str]:
        """What alike things share: the same words but for their numbers."""
        return self.rank, self.kind, _NUMBERS.sub("#", self.text)


def joined(found: Iterable[Happening]) -> tuple[Happening, ...]:
    """Return things by how much they matter, then by time, alike ones in one."""
    alike: dict[tuple[Rank, str, str], Happening] = {}
    for each in sorted(found, key=lambda h: h.begin):
        likeness = each.likeness
        before = alike.get(likeness)
        if before is None:
            alike[likeness] = each
            continue
        alike[likeness] = replace(
            each,
            begin=before.begin,
            count=before.count + each.count,
            lasted=before.lasted + each.lasted,
            varied=before.varied or each.text != before.text,
        )
    return tuple(sorted(alike.values(), key=lambda h: (h.rank, h.begin)))
