"""Rows of a cycle table made from a few columns."""

import json
from itertools import pairwise

import numpy as np

from rig.criteria.findings import CriteriaSetup, CriteriaState
from rig.criteria.judge import judge
from rig.samples import Cycles

UPPER, LOWER = 20e3, 2e3
K = 30e6


def armed(**changes):
    """Return criteria with a short baseline, warning and stop, and what else is asked for."""
    plain = {"baseline_first": 20, "baseline_last": 40, "loss_stop": 0.40, "loss_warn": 0.20}
    return CriteriaSetup(UPPER, LOWER, **(plain | changes))


def rows_of(stiffness, first=1, flags=0, load_max=UPPER, deflection_min=1e-4, deflection_max=1e-3):
    """Return counted rows; each column a number or one value a row."""
    n = len(stiffness)
    number = np.arange(first, first + n, dtype=np.int64)

    def column(value, kind):
        return np.broadcast_to(np.asarray(value, dtype=kind), n).copy()

    columns = {
        "number": number,
        "time": number * 0.2,
        "frequency": column(5.0, np.float32),
        "load_max": column(load_max, np.float32),
        "load_min": column(LOWER, np.float32),
        "deflection_max": column(deflection_max, np.float32),
        "deflection_min": column(deflection_min, np.float32),
        "stroke_max": column(3e-3, np.float32),
        "stroke_min": column(2e-3, np.float32),
        "stiffness": column(stiffness, np.float32),
        "flags": column(flags, np.uint16),
    }
    end = number * 200
    return Cycles(columns, end - 200, end, end + 20)


def judge_all(setup, rows, cuts=()):
    """Judge in pieces, each from a state that was written and read; return findings and state."""
    edges = [0, *sorted(c for c in cuts if c <= len(rows)), len(rows)]
    state, found = CriteriaState(), []
    for start, stop in pairwise(edges):
        state = CriteriaState.from_plain(json.loads(json.dumps(state.to_plain())))
        state, more = judge(setup, state, rows.part(start, stop))
        found += more
    return found, state
