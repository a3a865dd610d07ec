"""What the runs of companions teach: how much softer each was at its steady rate, to its end."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from rig.criteria.forecast_life import Relation
from rig.criteria.forecast_points import (
    NUMBER,
    SAG,
    SOFT,
    Points,
    based,
    begun_at,
    block_of,
    gathered,
)
from rig.criteria.forecast_rate import secondary
from rig.samples import Cycles

LEAST: Final = 3
"""Companions from whose runs a scatter is known."""
CLOSEST: Final = 0.005
"""Decades: no closer do few tell of one more, however alike they are; common practice."""
SHARES: Final = (0.5, 0.55, 0.6, 0.65, 0.7, 0.75)
"""Of a life, at which its rate is looked at: where forecasts are shown."""


def taught_by(
    pieces: Iterable[Cycles], end: int, first: int, last: int
) -> tuple[float, float] | None:
    """Return log10 of rate times life: of flexibility, and of deflection per load.

    `pieces` are all counted rows of a run that failed at count `end`; its baseline is from count
    `first` to `last`. None where it had no steady branch.
    """
    points, base = _gathered(pieces, end, first, last)
    if base is None:
        return None
    number, since = points.done[NUMBER], begun_at(points, last)
    found = []
    for share in SHARES:
        now = since + share * (end - since)
        chosen = (number > max(since + (now - since) / 2, last)) & (number <= now)
        grown = (
            points.done[row][chosen] / at - 1 for row, at in zip((SOFT, SAG), base, strict=True)
        )
        rates = [secondary(number[chosen], each) for each in grown]
        if not any(rate.why for rate in rates):
            found.append([math.log10(rate.value * (end - since)) for rate in rates])
    if not found:
        return None
    soft, sag = (float(value) for value in np.mean(found, axis=0))
    return soft, sag


def _gathered(
    pieces: Iterable[Cycles], end: int, first: int, last: int
) -> tuple[Points, tuple[float, float] | None]:
    """Return the points up to an end, and their baseline as a forecast took it at its count."""
    points = Points(block=block_of(first, last))
    base, due = None, last + 2 * points.block
    for piece in pieces:
        rows = piece.part(0, int(np.searchsorted(piece["number"], end)))
        while len(rows):
            ahead = due - int(rows["number"][0]) + 1
            stop = min(len(rows), points.room, ahead if ahead > 0 else len(rows))
            points = gathered(points, rows.part(0, stop))
            if stop == ahead:
                base = based(points, first, last)
                # The longer the baseline the longer a point: it is over with the one behind it.
                due += 0 if base else points.pitch * points.block
            rows = rows.part(stop, len(rows))
    return points, base


def relation_of(taught: Sequence[tuple[float, float]]) -> Relation | None:
    """Return the relation that companions teach by `taught_by`, None where they are too few.

    Its scatter is that of one specimen more.
    """
    if len(taught) < LEAST:
        return None
    soft, sag = (float(value) for value in np.mean(taught, axis=0))
    both = np.mean(taught, axis=1)
    scatter = float(np.std(both, ddof=1)) * math.sqrt(1 + 1 / len(taught))
    return Relation(soft, sag, max(scatter, CLOSEST), len(taught) - 1.0)
