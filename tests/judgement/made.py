"""Records made by hand, and results, events and truth to make records of."""

from __future__ import annotations

import math
from typing import Any

from tests.judgement.carrying import Record

PLAIN: dict[str, Any] = {
    "name": "healthy 1",
    "kind": "healthy",
    "seed": 1,
    "program": "here",
    "outcome": "run-out",
    "why": "no failure in 172,800 cycles",
    "cycles": 172_800,
    "test_s": 43_300.0,
    "stopped": 43_200.0,
    "stop_cause": "verdict",
    "end_named": None,
    "named": [],
    "truth": [],
    "crossed": None,
    "crossing": None,
    "beyond": None,
    "broken": None,
    "lost": math.nan,
    "second": 0,
    "cpu_s": 1.0,
}


def record(**changes: Any) -> Record:
    """Return the record of a healthy night that went on to its run-out, with changes."""
    return Record.of(PLAIN | changes)


def failed(kind: str, seed: int, stopped: float, **changes: Any) -> Record:
    """Return the record of a member that was called a failure at a time [s]."""
    plain = {"name": f"{kind} {seed}", "kind": kind, "seed": seed, "outcome": "failure"}
    return record(**plain, stopped=stopped, end_named="specimen", **changes)


def happened(what: str, cause: str, begin: float = 1500.0) -> list[Any]:
    """Return what happened, as a record keeps it."""
    return [what, cause, None, begin, None]
