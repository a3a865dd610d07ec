"""Beams in four-point bending by a solver that integrates moments symbolically.

indeterminatebeam 2.4.0 (MIT), from `requirements-oracles.lock`, against the closed forms of
`rig.mechanics.bending`. All beams are invented.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Final

from indeterminatebeam import Beam, PointLoadV, Support

from rig.mechanics.bending import load_point_flexibility, midspan_flexibility, moment

SEED: Final = 8
BEAMS: Final = 4
FLOOR: Final = 1e6
"""Loads [N] so high that ten decimals, which the solver rounds to, are digits enough."""


def drawn(seed: int) -> Iterator[tuple[float, float, float, float]]:
    """Give spans, shear spans [m], stiffness [N m2] and loads [N] without end."""
    rng = random.Random(seed)
    while True:
        span = rng.uniform(0.4, 12.0)
        yield (
            span,
            round(rng.uniform(0.1, 0.48) * span, 3),
            rng.uniform(1e5, 1e8),
            FLOOR * rng.uniform(1, 10),
        )


def solved(span: float, stiffness: float, *loads: object) -> Beam:
    """Return a beam on two supports whose moments and deflections the solver has found."""
    beam = Beam(span, E=stiffness, I=1.0, A=1.0)
    beam.add_supports(Support(0, (1, 1, 0)), Support(span, (0, 1, 0)))
    beam.add_loads(*loads)
    beam.analyse()
    return beam


def compared() -> Iterator[tuple[str, float, float]]:
    """Give what was compared, our value and the solver's."""
    drawing = drawn(SEED)
    for _ in range(BEAMS):
        span, a, stiffness, load = next(drawing)
        halves = (PointLoadV(-load / 2, a), PointLoadV(-load / 2, span - a))
        beam = solved(span, stiffness, *halves)
        yield "moment", moment(load, a), beam.get_bending_moment(span / 2)
        there = -beam.get_deflection(span / 2)
        yield "mid-span", load * midspan_flexibility(stiffness, span, a), there
        there = -beam.get_deflection(a)
        yield "load point", load * load_point_flexibility(stiffness, span, a), there
