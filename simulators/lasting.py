"""How long simulated specimens last: of one seed, of the median, and one alone without its rig."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from simulators.setup import SimulationSetup
from simulators.wear import NEVER, SpecimenState, Wear, broken_wires, worn
from simulators.wear_tables import WearTables

STEP: Final = 5e-3  # share by which flexibility changes in one step


@dataclass(frozen=True, slots=True)
class End:
    """How the cycling of a specimen ends: after so many cycles, `why` being "" where it does not.

    Else "concrete", "tendon" (wires have broken) or "bond" (drawn out, or too weak without it).
    """

    cycles: float
    why: str
    state: SpecimenState


def cycled(
    wear: Wear, strongest: float, wet: float, most: float = NEVER, step: float = STEP
) -> End:
    """Return how a specimen ends between the loads of its tables, with nothing about it.

    `strongest` is what it bears when new [N], `wet` how full of water its crack is on average,
    `most` the cycles after which it is taken off.
    """
    state, done = SpecimenState(), 0.0
    lower, upper = wear.tables.lower, wear.tables.upper
    while done < most:
        if wear.gone(state) or strongest * wear.strength(state) < upper:
            return End(done, _why(state), state)
        pace = wear.pace(state, lower, upper)
        cycles = min(max(1.0, math.ceil(wear.steady(state, pace, wet, step))), most - done)
        state, done = worn(state, pace, cycles, wet), done + cycles
    return End(done, "", state)


def _why(state: SpecimenState) -> str:
    if broken_wires(state.torn):
        return "tendon"
    return "concrete" if state.crushed >= 1.0 else "bond"


def median_life(setup: SimulationSetup, wet: float = 0.0) -> float:
    """Return the median life in cycles between the loads of a setup, at most `NEVER`.

    `wet` is how full of water the crack is on average. Infinite for a specimen that never cycles.
    """
    return _life(setup, wet) * _scale(setup)


def life_factor(setup: SimulationSetup, seed: int) -> float:
    """Return this specimen's life over the median one, log-normal from the seed."""
    source = np.random.SeedSequence(seed, spawn_key=(1 << 20,))
    draw = np.random.Generator(np.random.SFC64(source)).standard_normal()
    factor: float = 10 ** (setup.scatter * float(draw))
    return factor


def wear_of(setup: SimulationSetup, seed: int) -> Wear | None:
    """Return how the specimen of a seed wears; None for one that only stands, or is recorded."""
    if setup.tables is None or setup.recorded is not None:
        return None
    slow = life_factor(setup, seed) * _scale(setup)
    return Wear(setup.tables, setup.wet_factor, slow)


def _scale(setup: SimulationSetup) -> float:
    """Return the times as long that specimens of a setup last as mechanics has them last."""
    if setup.life_dry is None:
        return setup.life_scale
    return setup.life_scale * setup.life_dry / _life(setup, 0.0)


def _life(setup: SimulationSetup, wet: float) -> float:
    """Return the median life as mechanics has it."""
    if setup.tables is None:
        return math.inf
    return _median(setup.tables, setup.wet_factor, setup.truth.ultimate_load, wet)


@lru_cache(maxsize=16)
def _median(tables: WearTables, wet_factor: float, strongest: float, wet: float) -> float:
    """Return the median life; kept, for it takes a fifth of a second and rigs of one file ask."""
    return cycled(Wear(tables, wet_factor), strongest, wet).cycles
