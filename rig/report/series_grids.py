"""All tables of a series report, by what they are of."""

from __future__ import annotations

from dataclasses import dataclass, fields

from rig.report.series_grid import Grid
from rig.report.series_numbers import Numbers
from rig.report.series_tables import (
    curve_grid,
    fits_grid,
    groups_grid,
    lives_grid,
    loads_grid,
    modes_grid,
    seen_grid,
    specimens_grid,
    ultimates_grid,
)
from rig.report.series_tests import (
    hypotheses_grid,
    levels_grid,
    life_ratios_grid,
    life_tests_grid,
    service_grid,
    sn_grid,
    ultimate_tests_grid,
    water_grid,
)


@dataclass(frozen=True, slots=True)
class Grids:
    """The tables of a series; those without rows are of what it does not tell."""

    specimens: Grid
    lives: Grid
    groups: Grid
    modes: Grid
    curves: Grid
    fits: Grid
    sn: Grid
    life_tests: Grid
    life_ratios: Grid
    water: Grid
    levels: Grid
    loads: Grid
    ultimates: Grid
    ultimate_tests: Grid
    seen: Grid
    hypotheses: Grid
    service: Grid

    def all(self) -> tuple[Grid, ...]:
        """Return them in their order."""
        return tuple(getattr(self, field.name) for field in fields(self))


def grids_of(numbers: Numbers) -> Grids:
    """Return all tables of a series."""
    return Grids(
        specimens=specimens_grid(numbers),
        lives=lives_grid(numbers),
        groups=groups_grid(numbers),
        modes=modes_grid(numbers),
        curves=curve_grid(numbers),
        fits=fits_grid(numbers),
        sn=sn_grid(numbers),
        life_tests=life_tests_grid(numbers),
        life_ratios=life_ratios_grid(numbers),
        water=water_grid(numbers),
        levels=levels_grid(numbers),
        loads=loads_grid(numbers),
        ultimates=ultimates_grid(numbers),
        ultimate_tests=ultimate_tests_grid(numbers),
        seen=seen_grid(numbers),
        hypotheses=hypotheses_grid(numbers),
        service=service_grid(numbers),
    )
