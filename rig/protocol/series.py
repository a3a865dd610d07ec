"""A test series, read and checked: groups of specimens, their lives and ultimate loads."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

SAME_LEVEL: Final = 0.005  # as near as two load levels are taken for one
_RUN: Final = re.compile(r"\brun\s*=")


def names_runs(text: str) -> bool:
    """Tell whether the text of a series may name runs."""
    return _RUN.search(text) is not None


@dataclass(frozen=True, slots=True)
class Life:
    """One fatigue life: load level (fraction) and cycles, or the `run` that holds them."""

    specimen: str
    group: str
    level: float | None
    cycles: float | None
    outcome: str | None
    run: str | None


@dataclass(frozen=True, slots=True)
class Ultimate:
    """One static ultimate load [N], or the `run` that holds it."""

    specimen: str
    group: str
    load: float | None
    run: str | None
    residual: bool = False


@dataclass(frozen=True, slots=True)
class Series:
    """A series file; `groups` gives the factors of each group."""

    title: str
    groups: Mapping[str, Mapping[str, str]]
    lives: tuple[Life, ...]
    ultimates: tuple[Ultimate, ...]

    def _of_exposure(self, exposure: str) -> set[str]:
        """Return the names of the groups of one exposure."""
        return {n for n, factors in self.groups.items() if factors.get("exposure") == exposure}

    def ultimate_loads(self, exposure: str) -> tuple[float, ...]:
        """Return the ultimate loads [N] of groups of one exposure, residual ones left out."""
        groups = self._of_exposure(exposure)
        return tuple(
            u.load
            for u in self.ultimates
            if u.group in groups and u.load is not None and not u.residual
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
        return tuple(life.run for life in self.lives if life.run and life.group in groups)

    def companions(self, exposure: str, factor: str) -> tuple[str, ...]:
        """Return the values of a factor among the groups that `ultimate_loads` takes, each once."""
        groups = dict.fromkeys(u.group for u in self.ultimates if not u.residual)
        factors = (self.groups.get(name, {}) for name in groups)
        values = (f[factor] for f in factors if f.get("exposure") == exposure and factor in f)
        return tuple(dict.fromkeys(values))
