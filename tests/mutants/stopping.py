"""Slips in finding out from samples how quickly something came to rest."""

from __future__ import annotations

from tests.mutants.mutant import Mutant

STANDSTILL = ("tests/acquire/test_standstill.py",)
REST = "rig/acquire/standstill.py"

MUTANTS = (
    Mutant(
        "what goes up is measured downwards",
        REST,
        "way = np.sign(speed) * (ends - start)",
        "way = ends - start",
        "a rod that went on told as one that stood",
        STANDSTILL,
    ),
    Mutant(
        "travel ends where the rod was last",
        REST,
        "furthest = float(np.nanmax(after))",
        "furthest = float(after[-1])",
        "what sprang back, or was retracted, taken off the travel",
        STANDSTILL,
    ),
    Mutant(
        "a bound is met however far away it is",
        REST,
        "return near + frames if abs(frames) <= span else math.nan",
        "return near + frames",
        "a stop timed from an event that never was",
        STANDSTILL,
    ),
    Mutant(
        "a limit is put where the rod is after a sample",
        REST,
        "return float(now), float(now + slope * seconds * rate)",
        "return float(now), float(now + slope * seconds)",
        "a limit that noise alone goes beyond",
        STANDSTILL,
    ),
    Mutant(
        "speed a frame told as speed a second",
        REST,
        "max(furthest, 0.0), float(speed) * rate, noise)",
        "max(furthest, 0.0), float(speed), noise)",
        "travel of the rod a thousand times too small",
        STANDSTILL,
    ),
)
