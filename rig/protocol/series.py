"""A test series, read and checked: groups of specimens, their lives, ultimate loads, hypotheses."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from rig.protocol.series_plan import SeriesPlan

SAME_LEVEL: Final = 0.005  # as near as two load levels are taken for one
FACTORS: Final = ("batch", "cast", "bed", "frame")
"""What may differ within a group; where an entry does not tell, its group does."""

MODES: Final = (
    "tendon fracture",
    "concrete crushing",
    "bond or anchorage slip",
    "shear",
    "bearing",
    "outside span",
    "undetermined",
)
"""How a specimen failed, as a person saw it. Common practice, no source."""

RUST: Final = "rust"
SIGNS: Final = (RUST, "longitudinal crack", "wire slip", "lost material")
"""What is looked for on a specimen afterwards."""

EQUAL_LOAD: Final = "life at equal load level"
EQUAL_CONCRETE: Final = "life at equal concrete level"
QUANTITIES: Final = ("life", "ultimate", EQUAL_LOAD, EQUAL_CONCRETE, "observation")
"""What a hypothesis may be about."""

_RUN: Final = re.compile(r"\brun\s*=")


def names_runs(text: str) -> bool:
    """Tell whether the text of a series may name runs."""
    return _RUN.search(text) is not None


@dataclass(frozen=True, slots=True)
class Life:
    """One fatigue life: load level (fraction) and cycles, or the `run` that holds them.

    `outcome` is "failure" or "run-out"; `cycles` may have a fraction. `concrete_max` and
    `concrete_min` are stress in the top fibre over strength, `tendon_range` is in Pa, `age` (at the
    start), `wet`, `interruptions` (all the time it stood still) and `unloaded` (that of it without
    load) are in seconds. A life that is not `valid` is void for `void_reason`. `None` is what
    nobody told.
    """

    specimen: str
    group: str
    level: float | None
    cycles: float | None
    outcome: str | None
    run: str | None
    concrete_max: float | None = None
    concrete_min: float | None = None
    tendon_range: float | None = None
    mode: str | None = None
    valid: bool = True
    void_reason: str = ""
    overloaded: bool = False
    batch: str | None = None
    cast: str | None = None
    bed: str | None = None
    frame: str | None = None
    member: str | None = None
    age: float | None = None
    wet: float | None = None
    interruptions: float | None = None
    unloaded: float | None = None


@dataclass(frozen=True, slots=True)
class Ultimate:
    """One static ultimate load [N], or the `run` that holds it; `residual` after a run-out.

    `age` and `wet` are in seconds.
    """

    specimen: str
    group: str
    load: float | None
    run: str | None
    residual: bool = False
    batch: str | None = None
    cast: str | None = None
    bed: str | None = None
    frame: str | None = None
    member: str | None = None
    age: float | None = None
    wet: float | None = None
    valid: bool = True
    void_reason: str = ""
    mode: str | None = None


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """What somebody expects: `quantity` (of `QUANTITIES`) lower in some groups, higher in others.

    Where the quantity is "observation", `seen` says what is expected to be seen more often in the
    higher groups.
    """

    name: str
    quantity: str
    lower: tuple[str, ...]
    higher: tuple[str, ...]
    seen: str = ""


@dataclass(frozen=True, slots=True)
class Observation:
    """What was looked for on one specimen (one of `SIGNS`), and whether it was seen."""

    specimen: str
    looked_for: str
    seen: bool


def _companion(ultimate: Ultimate) -> bool:
    return ultimate.valid and not ultimate.residual


@dataclass(frozen=True, slots=True)
class Series:
    """A series file; `groups` gives the factors of each group, in the order of the file.

    `warnings` are lines for people: file, line, field, what is doubtful, what would be right.
    `plan` is what is to be tested further, None where the file says nothing of it.
    """

    title: str
    groups: Mapping[str, Mapping[str, str]]
    lives: tuple[Life, ...]
    ultimates: tuple[Ultimate, ...]
    hypotheses: tuple[Hypothesis, ...] = ()
    observations: tuple[Observation, ...] = ()
    warnings: tuple[str, ...] = ()
    plan: SeriesPlan | None = None

    def factor(self, entry: Life | Ultimate, name: str) -> str | None:
        """Return a factor (one of `FACTORS`) of a life or ultimate load, else its group's."""
        own: str | None = getattr(entry, name)
        return own if own is not None else self.groups.get(entry.group, {}).get(name)

    def _of_exposure(self, exposure: str) -> set[str]:
        """Return the names of the groups of one exposure."""
        return {n for n, factors in self.groups.items() if factors.get("exposure") == exposure}

    def ultimate_loads(self, exposure: str) -> tuple[float, ...]:
        """Return the ultimate loads [N] of one exposure, residual and void ones left out."""
        groups = self._of_exposure(exposure)
        return tuple(
            u.load
            for u in self.ultimates
            if u.group in groups and u.load is not None and _companion(u)
        )

    def lives_like(self, exposure: str, level: float, specimen_id: str) -> tuple[float, ...]:
        """Return the lives [cycles] of others of one exposure that failed at a load level.

        None where one of them ran out: how long such specimens last is then not known.
        """
        groups = self._of_exposure(exposure)
        like = [
            life
            for life in self.lives
            if life.group in groups
            and life.valid
            and life.specimen != specimen_id
            and life.level is not None
            and abs(life.level - level) < SAME_LEVEL
        ]
        if any(life.outcome == "run-out" for life in like):
            return ()
        return tuple(life.cycles for life in like if life.cycles and life.outcome == "failure")

    def runs_of(self, exposure: str) -> tuple[str, ...]:
        """Return the runs, as written, that hold lives of one exposure."""
        groups = self._of_exposure(exposure)
        return tuple(
            life.run for life in self.lives if life.run and life.valid and life.group in groups
        )

    def companions(self, exposure: str, factor: str) -> tuple[str, ...]:
        """Return the values of a factor among the groups that `ultimate_loads` takes, each once."""
        groups = dict.fromkeys(u.group for u in self.ultimates if _companion(u))
        factors = (self.groups.get(name, {}) for name in groups)
        values = (f[factor] for f in factors if f.get("exposure") == exposure and factor in f)
        return tuple(dict.fromkeys(values))
