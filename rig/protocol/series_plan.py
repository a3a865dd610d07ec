"""What a series plans to test: the table `[plan]` of its file, once read."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SeriesPlan:
    """Sizes and assumptions of a series still to be tested; None is taken from what is tested.

    The first of `groups` is expected to last longer. `sizes` are specimens a group, `run_outs`
    counts fixed beforehand, `ratios` life of the first group over that of the second. `life` is
    the median [cycles] of the second group at `level` (fraction of capacity), `scatter` the
    standard deviation of the natural logarithm of lives. `companions` are static tests a group,
    `variation` the standard deviation of ultimate loads over their mean, `slope` the decades of
    life that one whole capacity more of level takes. `strengths` are ultimate loads of the first
    group over those of the second. `frequency` [Hz]; times [s] of a specimen in a station; `flow`
    [m3/s] while it sprays, for `spraying` of the time; `tank` [m3] of a submerged specimen.
    """

    groups: tuple[str, str] | None = None
    sizes: tuple[int, ...] = (2, 4, 6)
    run_outs: tuple[float, ...] | None = None
    ratios: tuple[float, ...] = (3.0, 10.0)
    strengths: tuple[float, ...] = (1.1, 1.2)
    life: float | None = None
    scatter: float | None = None
    level: float | None = None
    companions: tuple[int, ...] = (2, 4)
    variation: float | None = None
    slope: float | None = None
    significance: float = 0.05
    frequency: float = 4.0
    stations: int = 1
    set_up: float = 2 * 86400.0
    dismantling: float = 86400.0
    exposure_change: float = 86400.0
    static_test: float = 86400.0
    flow: float = 1.0e-3 / 60
    spraying: float = 1.0
    tank: float = 0.1
    seed: int = 1
