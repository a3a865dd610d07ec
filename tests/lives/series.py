"""Small series for the tests: invented, a line each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from itertools import count

from rig.protocol.series import Hypothesis, Life, Observation, Series, Ultimate

DRY_AND_WET: Mapping[str, Mapping[str, str]] = {
    "dry": {"exposure": "dry"},
    "wet": {"exposure": "spray"},
}


def life(group: str, cycles: float, specimen: str = "", **told) -> Life:
    """Return a failure; `ran_out=True` makes it a run-out."""
    outcome = "run-out" if told.pop("ran_out", False) else "failure"
    level = told.pop("level", 0.7)
    return Life(specimen, group, level, cycles, outcome, None, **told)


def load(group: str, newtons: float, specimen: str = "", **told) -> Ultimate:
    return Ultimate(specimen, group, newtons, None, **told)


def named(entries: Iterable, letter: str) -> tuple:
    """Give each entry without one a specimen of its own."""
    from dataclasses import replace

    number = count(1)
    return tuple(
        entry if entry.specimen else replace(entry, specimen=f"{letter}-{next(number)}")
        for entry in entries
    )


def series(
    lives: Iterable[Life] = (),
    ultimates: Iterable[Ultimate] = (),
    groups: Mapping[str, Mapping[str, str]] = DRY_AND_WET,
    hypotheses: Iterable[Hypothesis] = (),
    observations: Iterable[Observation] = (),
) -> Series:
    return Series(
        title="a series for a test",
        groups=groups,
        lives=named(lives, "L"),
        ultimates=named(ultimates, "U"),
        hypotheses=tuple(hypotheses),
        observations=tuple(observations),
    )
