"""Lives of simulated specimens as cycle rows, drawn from wear alone: no sample is made.

A life of 30,000 cycles takes some tenths of a second. Noise of the rows is what a night of
samples of the shipped rig shows; `test_forecast_lives` holds drawn rows against such nights.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rig.assembly.simulation import simulation_setup
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan
from rig.samples import Cycles, FloatArray
from simulators.lasting import median_life, wear_of
from simulators.setup import SimulationSetup
from simulators.specimen import DRYING_TIME, WETTING_TIME, Beam
from simulators.wear import SpecimenState, Wear, worn

PROTOCOLS = Path(__file__).parents[2] / "protocols"
POINTS = 64  # of a cycle, from which its stiffness is made
STIFFNESS_NOISE = 3e-4  # of one cycle, relative: 40 N and 1.2 um in 250 samples
DEFLECTION_NOISE = 0.4e-6  # m of an extreme, refined over its window
LOAD_NOISE = 12.0  # N, the same
STEP = 100.0  # cycles at most between two states
DAY = 86400.0  # s
WARMTH = 5e-3  # of stiffness, and of sag, by which a day swings either at most
SHIPPED = ("overnight-wet-prism", "submerged-prism", "unbonded-sprayed")
"""Protocols whose specimens fail by bond or concrete, and soften before."""


@dataclass(frozen=True)
class Life:
    """A life as it was drawn: rows, the cycle at which 40 % of stiffness were lost or it broke.

    `wet_from` is the first count at which water ran.
    """

    rows: Cycles
    end: int
    wet_from: int
    plan: Plan


@lru_cache(maxsize=64)
def plan_at(name: str, level: float) -> Plan:
    """Return a shipped protocol at another load level, R as it is."""
    rig = str(PROTOCOLS / "rigs" / "simulated.toml")
    plan = load_plan(str(PROTOCOLS / f"{name}.toml"), rig, lambda file: Path(file).read_text())
    loading = plan.loading
    assert loading is not None
    upper = level * loading.capacity
    lower = loading.lower / loading.upper * upper
    # Their lives are scaled: those of the series are of another kind.
    return replace(plan, loading=replace(loading, upper=upper, lower=lower), companions=())


@lru_cache(maxsize=64)
def setup_at(name: str, level: float) -> tuple[SimulationSetup, float]:
    """Return the hidden truth of such a plan, and the median life as mechanics has it."""
    plan = plan_at(name, level)
    setup = simulation_setup(plan)
    return setup, median_life(setup, _share_wet(plan))


def scale_for(name: str, median: float, level: float = 0.7) -> float:
    """Return the `life_scale` by which the median of such specimens lasts so many cycles."""
    return median / setup_at(name, level)[1]


def any_life(seed: int) -> Life:
    """Return a life of one of the shipped kinds: at 60 to 80 %, of 20,000 to 50,000 cycles.

    A day swings stiffness and deflection, each in its own phase.
    """
    draw = np.random.default_rng((seed, 9))
    name = SHIPPED[draw.integers(len(SHIPPED))]
    level = round(0.60 + 0.02 * int(draw.integers(11)), 2)
    swings = (*draw.uniform(0, WARMTH, 2), *draw.uniform(0, 2 * np.pi, 2))
    asked = 10 ** float(draw.uniform(math.log10(20_000), math.log10(50_000)))
    life = drawn_life(name, seed, asked, level, step=10 * STEP)
    # Rows that are lost dry, and its own share of scatter, make it another length.
    life = drawn_life(name, seed, asked * asked / life.end, level)
    return warmed(life, *swings)


def warmed(life: Life, stiff: float, sag: float, one: float, other: float) -> Life:
    """Return a life whose stiffness and deflection [shares] swing once a day, from two phases."""
    rows, loading = life.rows, life.plan.loading
    assert loading is not None
    turns = 2 * np.pi * rows["number"] / loading.frequency / DAY
    soft = 1 + stiff * np.sin(turns + one)
    bent = (1 / soft) * (1 + sag * np.sin(turns + other))
    return replace(
        life,
        rows=rows.with_columns(
            stiffness=rows["stiffness"] * soft,
            deflection_max=rows["deflection_max"] * bent,
            deflection_min=rows["deflection_min"] * bent,
        ),
    )


def drawn_life(name: str, seed: int, median: float, level: float = 0.7, step: float = STEP) -> Life:
    """Return the life of one specimen, scaled so that `median` is the median of its like."""
    plan, (setup, _) = plan_at(name, level), setup_at(name, level)
    scaled = replace(setup, life_scale=scale_for(name, median, level))
    wear = wear_of(scaled, seed)
    assert wear is not None
    beam = Beam(scaled.truth, scaled.ending, scaled.bedding, scaled.creep, scaled.upper_load, wear)
    return _rows_of(plan, beam, wear, np.random.default_rng((seed, 77)), step)


def _share_wet(plan: Plan) -> float:
    """Return how full of water a crack is on average: near 1 where it is sprayed again soon."""
    if plan.exposure == "dry":
        return 0.0
    spray = plan.spray
    if plan.exposure == "submerged" or spray is None or spray.continuous:
        return 1.0
    off = spray.every - spray.on
    return (spray.on + DRYING_TIME * (1 - math.exp(-off / DRYING_TIME))) / spray.every


def _rows_of(plan: Plan, beam: Beam, wear: Wear, noise: np.random.Generator, most: float) -> Life:
    loading = plan.loading
    assert loading is not None
    low, top, frequency = loading.lower, loading.upper, loading.frequency
    specimen = SpecimenState(peak=beam.bent_at(top, SpecimenState()))
    phase = 2 * np.pi * np.arange(POINTS) / POINTS
    load = loading.mean + loading.range / 2 * np.sin(phase)
    wet = 1.0 if plan.exposure == "submerged" else 0.0
    nodes: list[tuple[float, float, float, float]] = []
    done = 0.0
    while not wear.gone(specimen) and top <= beam.strength(specimen):
        nodes.append((done, *_bent(beam, specimen, load, low, top)))
        raining, change = _water(plan, done)
        pace = wear.pace(specimen, low, top)
        step = min(most, change - done, wear.steady(specimen, pace, 1.0, 5e-3))
        step = max(1.0, math.floor(step))
        target, lag = (1.0, WETTING_TIME) if raining else (0.0, DRYING_TIME)
        seconds = step / frequency
        left = math.exp(-seconds / lag)
        mean_wet = target + (wet - target) * (1 - left) * lag / seconds
        wet = target + (wet - target) * left
        specimen = replace(
            worn(specimen, pace, step, mean_wet),
            cycles=specimen.cycles + step,
            seconds=specimen.seconds + seconds,
        )
        done += step
    return _life(plan, np.array(nodes), int(done), noise)


def _bent(
    beam: Beam, specimen: SpecimenState, load: FloatArray, low: float, top: float
) -> tuple[float, float, float]:
    """Return stiffness [N/m], largest and smallest net deflection [m]."""
    curve = beam.curve(specimen, 0.0)
    net = curve.at_load(load, curve.net)
    at_low, at_top = curve.at_load(np.array([low, top]), curve.net)
    around = net - net.mean()
    stiffness = float((load - load.mean()) @ around / (around @ around))
    return stiffness, float(at_top), float(at_low)


def _water(plan: Plan, done: float) -> tuple[bool, float]:
    """Return whether water runs at a count, and the count at which that changes."""
    if plan.exposure == "submerged":
        return True, math.inf
    spray, loading = plan.spray, plan.loading
    if spray is None or loading is None or plan.exposure == "dry":
        return False, math.inf
    begin = spray.begin if spray.begin_unit == "cycles" else spray.begin * loading.frequency
    if done < begin:
        return False, begin
    if spray.continuous:
        return True, math.inf
    every, on = spray.every * loading.frequency, spray.on * loading.frequency
    period, at = divmod(done - begin, every)
    start = begin + period * every
    return (True, start + on) if at < on else (False, start + every)


def _wet_rows(plan: Plan, rows: int) -> NDArray[np.uint8]:
    """Return which rows are run in water."""
    wet = np.zeros(rows, np.uint8)
    at = 0.0
    while at < rows:
        raining, change = _water(plan, at)
        wet[int(at) : int(min(change, rows))] = raining
        at = change
    return wet


def _life(plan: Plan, nodes: FloatArray, done: int, noise: np.random.Generator) -> Life:
    number = np.arange(1, max(done, 1) + 1, dtype=np.int64)
    at = number - 0.5
    true = np.interp(at, nodes[:, 0], nodes[:, 1])
    stiffness = true * (1 + STIFFNESS_NOISE * noise.standard_normal(len(at)))
    loading = plan.loading
    assert loading is not None
    columns = {
        "number": number,
        "stiffness": stiffness,
        "deflection_max": np.interp(at, nodes[:, 0], nodes[:, 2])
        + DEFLECTION_NOISE * noise.standard_normal(len(at)),
        "deflection_min": np.interp(at, nodes[:, 0], nodes[:, 3])
        + DEFLECTION_NOISE * noise.standard_normal(len(at)),
        "load_max": loading.upper + LOAD_NOISE * noise.standard_normal(len(at)),
        "load_min": loading.lower + LOAD_NOISE * noise.standard_normal(len(at)),
        "wet": _wet_rows(plan, len(at)),
        "flags": np.zeros(len(at), np.uint16),
    }
    frames = number * 250
    first, last = plan.baseline.first, plan.baseline.last
    base = float(np.median(stiffness[first:last])) if len(stiffness) > last else math.nan
    loss = plan.failure.stiffness_loss
    lost = np.flatnonzero(true < (1 - (loss.stop if loss else 0.4)) * base)
    end = int(number[lost[0]]) + 50 if len(lost) else done
    wet_rows = np.flatnonzero(columns["wet"])
    wet_from = int(number[wet_rows[0]]) if len(wet_rows) else 0
    return Life(Cycles(columns, frames - 250, frames, frames + 3), min(end, done), wet_from, plan)
