"""Curves over 200 debonded lengths by both bond models, beside 200 sections solved one by one.

The peer is what a plain loop would do without any beam around it: the section at mid-span by its
nonlinear laws, at 200 moments. The specimen is invented.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from rig.mechanics.bond_laws import ribbed, transmission
from rig.mechanics.crack import Cracks
from rig.mechanics.crack_ultimate import ultimate_at_crack
from rig.mechanics.debonding import curves
from rig.mechanics.discrete import at_crack
from rig.mechanics.section import state_at, ultimate
from rig.mechanics.shapes import load_at, moment_under
from rig.mechanics.smeared import debonded, debonded_ultimate
from rig.mechanics.specimen import Concrete, Section, Specimen, SteelLaw, Tendon

POINTS = 200
PRISM = Specimen(
    "a prism, invented",
    Section("rectangle", 0.2, 0.15, 0.15, 0.9, 0.3),
    Concrete(60e6, 37e9, 4.4e6, 2400.0, "parabola-rectangle", 0.002, 0.0035),
    (
        Tendon(
            93e-6,
            0.13,
            195e9,
            "pre-tensioned",
            1120e6,
            "no moment",
            SteelLaw("power", preset="strand-270"),
        ),
    ),
)
LENGTHS = np.linspace(0.0, 0.9, POINTS)
UPPER = 0.7 * load_at(PRISM, ultimate(PRISM).moment)
CURVES: dict[str, Callable[[], object]] = {
    "smeared": lambda: debonded(PRISM, UPPER, LENGTHS),
    "smeared, ultimate": lambda: debonded_ultimate(PRISM, LENGTHS),
    "discrete, even bond": lambda: at_crack(PRISM, UPPER, LENGTHS, transmission(4.4e6)),
    "discrete, rising bond": lambda: at_crack(PRISM, UPPER, LENGTHS, ribbed(60e6)),
    "discrete, ultimate": lambda: ultimate_at_crack(PRISM, LENGTHS, transmission(4.4e6)),
    "both models, all that is told": lambda: curves(
        PRISM, 0.1 * UPPER, UPPER, POINTS, Cracks(transmission(4.4e6))
    ),
}


def one_by_one() -> float:
    """Return how long 200 sections take [s]: the best of three."""
    moments = [float(moment_under(PRISM, UPPER * share)) for share in np.linspace(0.5, 1, POINTS)]
    took = []
    for _ in range(3):
        begun = time.perf_counter()
        for moment in moments:
            state_at(PRISM, moment)
        took.append(time.perf_counter() - begun)
    return min(took)


@pytest.mark.parametrize("curve", CURVES)
def test_a_debonding_curve_beside_sections_one_by_one(
    benchmark: BenchmarkFixture, curve: str
) -> None:
    benchmark.pedantic(CURVES[curve], rounds=7, warmup_rounds=1)
    ours, peer = benchmark.stats.stats.min, one_by_one()
    figures = {"ms": 1e3 * ours, "peer_ms": 1e3 * peer, "times_peer": ours / peer}
    benchmark.extra_info.update(figures, points=POINTS)
    print(f"\n{curve}, {POINTS} lengths:", *(f"{k} {v:.2f}" for k, v in figures.items()))
