"""Cycle rows of specimens that soften as they are told to, without a simulator."""

import numpy as np

from rig.criteria.forecast import ForecastSetup, ForecastState, foresee
from rig.criteria.forecast_life import Relation
from rig.criteria.forecast_points import block_of
from rig.samples import Cycles

FIRST, LAST = 100, 200  # counts of the baseline
SOFT = 1e-8  # m/N when new
UPPER = 80e3  # N
RELATION = Relation(soft=-1.0, sag=-1.0, scatter=0.04)


def setup(**changed):
    told = {"relation": RELATION, "stop": 0.4, **changed}
    return ForecastSetup(
        block=block_of(FIRST, LAST), baseline_first=FIRST, baseline_last=LAST, **told
    )


def rows_of(soft, sag=None, *, wet_from=None, noise=0.0, seed=1):
    """Rows whose flexibility and deflection per load have grown by these shares."""
    soft = np.asarray(soft, float)
    sag = soft if sag is None else np.asarray(sag, float)
    number = np.arange(1, len(soft) + 1, dtype=np.int64)
    draw = np.random.default_rng(seed)
    columns = {
        "number": number,
        "stiffness": 1 / (SOFT * (1 + soft)) * (1 + noise * draw.standard_normal(len(soft))),
        "deflection_max": UPPER * SOFT * (1 + sag) * (1 + noise * draw.standard_normal(len(soft))),
        "load_max": np.full(len(soft), UPPER),
        "wet": (number >= wet_from if wet_from else np.zeros(len(soft))).astype(np.uint8),
        "flags": np.zeros(len(soft), np.uint16),
    }
    return Cycles(columns, number * 250 - 250, number * 250, number * 250 + 3)


def steady(cycles, rate):
    """Growth at a steady rate a cycle."""
    return rate * np.arange(1.0, cycles + 1)


def followed(told, rows, cuts=()):
    """Return state and findings after rows that come in pieces."""
    state: ForecastState | None = None
    findings = []
    for start, stop in zip((0, *cuts), (*cuts, len(rows)), strict=True):
        if stop > start:
            state, found = foresee(told, state, rows.part(start, stop))
            findings += found
    return state, findings
