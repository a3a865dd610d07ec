"""Accidents and requests at random moments of a rehearsal."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

from rig.control.desk import Request
from rig.ports import InputState
from simulators.faults import (
    Fault,
    Flat,
    InputChange,
    Lost,
    Miscounted,
    Missing,
    Moved,
    NoFlow,
    Restarted,
    Spike,
    Stuck,
    Weak,
)

SENSORS = ("load", "midspan", "support_left")
STATES = (
    {"emergency_stop": True},
    {"guard_open": True},
    {"leak": True},
    {"oil_temperature": 325.0},
    {"oil_temperature": 340.0},
    {"oil_pressure_low": True},
    {"mains_lost": True},
)


def _span(random: Random, frame: int, longest: int) -> tuple[int, int]:
    return frame, frame + random.randint(1, longest)


def _inputs(random: Random, frame: int) -> Fault:
    states: dict[str, Any] = random.choice(STATES)
    return InputChange(frame, InputState(**states))


MAKERS: dict[str, Callable[[Random, int], Fault]] = {
    "samples missing": lambda r, f: Missing(r.choice(SENSORS), *_span(r, f, 4)),
    "channel lost": lambda r, f: Missing(r.choice(SENSORS), *_span(r, f, 4000)),
    "channel stuck": lambda r, f: Flat(r.choice(SENSORS), *_span(r, f, 2000)),
    "spike": lambda r, f: Spike(r.choice(SENSORS), f, r.uniform(1e-4, 2e4)),
    "sensor moved": lambda r, f: Moved("midspan", f, r.uniform(-2e-4, 2e-4)),
    "no water": lambda r, f: NoFlow(*_span(r, f, 60_000)),
    "inputs": _inputs,
    "device lost": lambda r, f: Lost(
        r.choice(("actuator", "pump", "horn", "inputs")), *_span(r, f, 3000)
    ),
    "stuck": lambda r, f: Stuck(
        r.choice(("pressure", "pump", "motion", "heartbeat")), *_span(r, f, 3000)
    ),
    "controller restarted": lambda _, f: Restarted(f),
    "miscounted": lambda r, f: Miscounted(f, r.choice((-10, 40))),
    "actuator weak": lambda r, f: Weak(*_span(r, f, 4000), r.uniform(0.8, 0.99)),
}


def accidents(random: Random, frames: int) -> tuple[list[str], tuple[Fault, ...]]:
    """Return up to three accidents within so many frames, and their names."""
    names = [random.choice(list(MAKERS)) for _ in range(random.choice((0, 1, 1, 2, 3)))]
    return names, tuple(MAKERS[name](random, random.randrange(frames)) for name in names)


def script(random: Random, seconds: float) -> tuple[tuple[float, Request], ...]:
    """Return what people ask for within so much test time [s]; a pause is followed by a word."""
    asked: list[tuple[float, Request]] = []
    for _ in range(random.choice((0, 0, 1, 2, 4))):
        at, verb = random.uniform(0.0, seconds), random.choice(("pause", "unload", "note", "stop"))
        asked.append((at, Request(verb, who="P. Tester", text=f"{verb} at {at:.0f}")))
        if verb in ("pause", "unload"):
            # Any going on is by a person; a last word is said where one is refused.
            later = (at + random.uniform(1.0, 400.0), at + 500.0, at + 900.0)
            asked += [(when, Request("continue", who="P. Tester")) for when in later]
    return tuple(sorted(asked, key=lambda each: each[0]))
