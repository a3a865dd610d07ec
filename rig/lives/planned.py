"""A series still to be tested, worked out: power, smallest p, worth, stations, water, order."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from rig.lives.assumed import assumed
from rig.lives.many_logranks import LogRanks
from rig.lives.order import orders
from rig.lives.power import SERIES, LifeDesign, capacity_shift, life_powers
from rig.lives.stations import (
    DAY,
    Place,
    companion,
    expected_cycles,
    life_specimen,
    station_days,
)
from rig.lives.ultimate_power import UltimateDesign, ultimate_power
from rig.lives.worth import what_one_more_buys
from rig.protocol.series_plan import SeriesPlan

if TYPE_CHECKING:
    from rig.lives.assumed import Assumed
    from rig.lives.order import Ordered
    from rig.lives.power import LifePower
    from rig.lives.stations import Specimen
    from rig.lives.ultimate_power import UltimatePower
    from rig.lives.worth import Worth
    from rig.protocol.series import Series

UNTOLD_EXPOSURE: Final = "dry"
MOST_TESTED: Final = 50
"""Lives of a group beside which one more is looked at: beside more it buys nothing."""


@dataclass(frozen=True, slots=True)
class LifeRow:
    """The power of one size, run-out count [cycles] and ratio.

    `known` is that with capacities known without error, `carried` that with the error of the mean
    of so many companions.
    """

    size: int
    run_out: float
    ratio: float
    known: LifePower
    carried: tuple[tuple[int, LifePower], ...]


@dataclass(frozen=True, slots=True)
class Smallest:
    """The smallest p that a size can reach, by how many specimens run out in all.

    `one_sided` and `two_sided` hold a value for 0, 1, ... run-outs; `in_pairs` is the one-sided p
    where each batch gives one specimen to each group and the test stays within batches.
    """

    size: int
    one_sided: tuple[float, ...]
    two_sided: tuple[float, ...]
    in_pairs: float


@dataclass(frozen=True, slots=True)
class Cost:
    """What a size with so many companions takes: days of stations and of the calendar, water [m3].

    In the drawn order; `changes` of exposure are in it.
    """

    size: int
    companions: int
    station_days: float
    calendar_days: float
    changes: int
    water: float


@dataclass(frozen=True, slots=True)
class Planned:
    """All that a plan comes to; `ratio` and `run_out` [cycles] are those that costs stand on."""

    title: str
    plan: SeriesPlan
    assumed: Assumed
    run_out: float
    ratio: float
    series: int
    smallest: tuple[Smallest, ...]
    lives: tuple[LifeRow, ...]
    strengths: tuple[UltimatePower, ...]
    worth: tuple[Worth, ...]
    costs: tuple[Cost, ...]
    orders: tuple[Ordered, ...]


def planned(series: Series, many: int = SERIES) -> Planned:
    """Return what the plan of a series comes to, by `many` simulated series a row.

    A series without `[plan]` is planned as `SeriesPlan` says. `assumed.NotTold` where something is
    told neither by the plan nor by what has been tested.
    """
    plan = series.plan or SeriesPlan()
    told = assumed(series, plan)
    exposures = [series.groups[n].get("exposure", UNTOLD_EXPOSURE) for n in (told.a, told.b)]
    stand = _Stand(plan, told, (exposures[0], exposures[1]))
    return Planned(
        title=series.title,
        plan=plan,
        assumed=told,
        run_out=stand.run_out,
        ratio=stand.ratio,
        series=many,
        smallest=tuple(smallest(size) for size in plan.sizes),
        lives=_lives(plan, told, many),
        strengths=tuple(
            ultimate_power(
                UltimateDesign(n, n, ratio, told.variation), plan.significance, many, plan.seed
            )
            for n in plan.companions
            for ratio in plan.strengths
        ),
        worth=_worth(stand, many),
        costs=tuple(_cost(stand, n, m) for n in plan.sizes for m in plan.companions),
        orders=stand.orders(plan.sizes[0], plan.companions[0]),
    )


def smallest(size: int) -> Smallest:
    """Return the smallest p of two groups of a size, by how many of them run out in all."""
    tests = LogRanks(size, size)
    nulls = [tests.null(failures) for failures in range(2 * size, -1, -1)]
    return Smallest(
        size,
        tuple(null.smallest_p_low for null in nulls),
        tuple(null.smallest_p_away for null in nulls),
        0.5**size,
    )


def _lives(plan: SeriesPlan, told: Assumed, many: int) -> tuple[LifeRow, ...]:
    rows = [(n, c, r) for n in plan.sizes for c in told.run_outs for r in plan.ratios]
    counts = (None, *plan.companions)
    designs = []
    for n, run_out, ratio in rows:
        for m in counts:
            shift = 0.0 if m is None else capacity_shift(told.variation, m, told.sensitivity)
            designs.append(LifeDesign(n, n, run_out, told.life, ratio, told.scatter, shift, shift))
    powers = iter(life_powers(designs, plan.significance, many, plan.seed))
    return tuple(
        LifeRow(
            *row,
            known=next(powers),
            carried=tuple((m, next(powers)) for m in plan.companions),
        )
        for row in rows
    )


class _Stand:
    """What costs stand on: the place, and the lives that are expected there."""

    def __init__(self, plan: SeriesPlan, told: Assumed, exposures: tuple[str, str]) -> None:
        self.plan, self.told, self.exposures = plan, told, exposures
        # The longest lives that are asked about, at the smallest count to end them.
        self.run_out, self.ratio = min(told.run_outs), max(plan.ratios)
        self.place = Place(
            plan.frequency,
            plan.set_up,
            plan.dismantling,
            plan.exposure_change,
            plan.static_test,
            plan.flow,
            plan.spraying,
            plan.tank,
        )

    def life(self, group: int, number: int) -> Specimen:
        """Return the specimen of a number that cycles, of the first (0) or second (1) group."""
        name = (self.told.a, self.told.b)[group]
        median = self.told.life * (self.ratio if group == 0 else 1.0)
        cycles = expected_cycles(median, self.told.scatter, self.run_out)
        return life_specimen(f"{name} {number}", name, self.exposures[group], cycles, self.place)

    def companion(self, group: int, number: int) -> Specimen:
        """Return the companion of a number, of the first (0) or second (1) group."""
        name = (self.told.a, self.told.b)[group]
        return companion(f"{name} companion {number}", name, self.exposures[group], self.place)

    def orders(self, size: int, companions: int) -> tuple[Ordered, ...]:
        """Return the orders in which both groups can be tested."""
        return orders(
            [self.companion(group, i + 1) for group in (0, 1) for i in range(companions)],
            [self.life(group, i + 1) for group in (0, 1) for i in range(size)],
            self.plan.stations,
            self.plan.exposure_change,
            self.plan.seed,
        )


def _worth(stand: _Stand, many: int) -> tuple[Worth, ...]:
    """Return what one more buys beside what has been tested, or beside the first of the plan."""
    plan, told = stand.plan, stand.told
    n_a, n_b = (n if 0 < n <= MOST_TESTED else plan.sizes[0] for n in told.tested)
    m_a, m_b = (m or plan.companions[0] for m in told.companions)
    base = LifeDesign(n_a, n_b, stand.run_out, told.life, min(plan.ratios), told.scatter)
    each = (stand.life(0, 1), stand.life(1, 1), stand.companion(0, 1), stand.companion(1, 1))
    a, b, c, d = (station_days([specimen]) for specimen in each)
    return what_one_more_buys(
        base,
        (m_a, m_b),
        told.variation,
        told.sensitivity,
        (a, b, c, d),
        plan.significance,
        many,
        plan.seed,
    )


def _cost(stand: _Stand, size: int, companions: int) -> Cost:
    found = stand.orders(size, companions)[0].schedule
    return Cost(size, companions, found.busy / DAY, found.end / DAY, found.changes, found.water)
