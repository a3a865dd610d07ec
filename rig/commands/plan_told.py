"""A plan in tables for people, as wide as their terminal."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, TextIO

from rig.commands.plan_words import plan_words
from rig.commands.tables import NONE, Page, Printed, Row, number
from rig.lives.null_sums import reached
from rig.lives.stations import DAY

if TYPE_CHECKING:
    from rig.lives.planned import Planned, Smallest

TWO_ERRORS: Final = 1.0
"""Two standard errors of a share of one half, times the root of the number of series."""


def plan_text(told: Planned, stream: TextIO | None) -> str:
    """Return words and tables for a stream: in colour and folded where that is a terminal."""
    page = Page(stream)
    page.lines(told.title, "", "In words", *(f"  {words}" for words in plan_words(told)))
    page.lines("", "Assumed", *(f"  {words}" for words in _assumed(told)))
    page.table(*_smallest(told))
    page.lines(
        f"  one-sided: that the first group lives longer; out of reach: with so many run-outs in "
        f"all, no outcome comes to {told.plan.significance * 100:.3g} %"
    )
    page.table(*_lives(told))
    page.lines(*(f"  {line}" for line in _about_lives(told)))
    page.table(*_strengths(told))
    page.lines("  by Welch's test and by the exact rank test, two-sided")
    page.table(*_worth(told))
    page.lines(
        f"  at a run-out of {_count(told.run_out)} cycles and a ratio of "
        f"{told.worth[0].power.design.ratio:g}; x/: by how much a 90 % interval of the ratio "
        "reaches up and down where all fail; days of stations as below"
    )
    page.table(*_costs(told))
    page.lines(
        f"  lives as expected at a run-out of {_count(told.run_out)} cycles and a ratio of "
        f"{told.ratio:g}, in the drawn order"
    )
    page.table(*_orders(told))
    page.table(*_order(told))
    return page.text()


def _assumed(told: Planned) -> list[str]:
    """Return a line for each thing that is assumed, and where it comes from."""
    found = told.assumed
    where = found.origins
    slope = found.sensitivity / math.log(10.0) / found.level
    rows = [
        ("groups", f"{found.a} is expected to outlive {found.b}", where["groups"]),
        (f"life of {found.b}", f"{_count(found.life)} cycles", where["life"]),
        ("scatter of ln life", f"{found.scatter:.2f}", where["scatter"]),
        ("load level", f"{found.level * 100:.3g} %", where["level"]),
        ("variation of loads", f"{found.variation * 100:.2g} %", where["variation"]),
        (
            "slope",
            f"{slope:.3g} decades of life for one whole level",
            where["slope"],
        ),
        ("run-out", ", ".join(map(_count, found.run_outs)) + " cycles", where["run-out"]),
    ]
    return [f"{name}: {what}; {origin}" for name, what, origin in rows]


def _smallest(told: Planned) -> Printed:
    heads = ["one-sided\np", "two-sided\np", "in pairs\np", "out of reach\nfrom"]
    rows: list[Row] = [
        (
            f"{row.size} + {row.size}",
            _p(row.one_sided[0]),
            _p(row.two_sided[0]),
            _p(row.in_pairs),
            _beyond(row, told.plan.significance),
        )
        for row in told.smallest
    ]
    return "Smallest p", heads, rows


def _beyond(row: Smallest, significance: float) -> str:
    """Return from how many run-outs on the significance cannot be reached."""
    return next((str(i) for i, p in enumerate(row.one_sided) if not reached(p, significance)), NONE)


def _lives(told: Planned) -> Printed:
    heads = ["run-out\ncycles", "ratio\n", "power\n%"]
    for m in told.plan.companions:
        heads += [f"of {m}: power\n%", "false\n%", "carried\n%"]
    rows: list[Row] = []
    for row in told.lives:
        cells = [_count(row.run_out), f"{row.ratio:g}", _percent(row.known.power)]
        for _, power in row.carried:
            cells += [
                _percent(power.power),
                _percent(power.false_alarms),
                _percent(power.power_carried),
            ]
        rows.append((f"{row.size} + {row.size}", *cells))
    return "Lives", heads, rows


def _about_lives(told: Planned) -> list[str]:
    lines = [
        f"power: share of series whose one-sided p of the exact log-rank test is at most "
        f"{told.plan.significance * 100:.3g} %, where both capacities are known",
        f"of {' or '.join(map(str, told.plan.companions))}: where each capacity is the mean of so "
        "many companions; false: the same without any difference of lives",
        "carried: share of series whose life ratio lies beyond what the error of such capacities "
        "and the scatter, both known, make by themselves; it takes lives for lognormal, as the "
        "exact test does not, and so may show something where that cannot",
        f"all shares by {told.series:,} simulated series each, to "
        f"{TWO_ERRORS / math.sqrt(told.series):.1%} at the worst",
    ]
    if not all(row.known.exact for row in told.lives):
        lines.append("of larger sizes arrangements were drawn, not counted")
    return lines


def _strengths(told: Planned) -> Printed:
    rows: list[Row] = [
        (
            f"{row.design.n_a} + {row.design.n_b}",
            f"{row.design.ratio:g}",
            NONE if math.isnan(row.power_welch) else _percent(row.power_welch),
            _percent(row.power_rank),
            _p(row.smallest_p),
        )
        for row in told.strengths
    ]
    heads = ["ratio\n", "power, Welch\n%", "power, ranks\n%", "smallest rank\np"]
    return "Ultimate loads", heads, rows


def _worth(told: Planned) -> Printed:
    heads = [
        "lives\n",
        "static\ntests",
        "power\n%",
        "carried\n%",
        "least\np",
        "ratio\nx/",
        "days\n",
    ]
    a, b = told.assumed.a, told.assumed.b
    rows: list[Row] = [
        (
            _named(row.added, a, b),
            f"{row.size.lives_a} + {row.size.lives_b}",
            f"{row.size.companions_a} + {row.size.companions_b}",
            _percent(row.power.power),
            _percent(row.power.power_carried),
            _p(row.power.smallest_p),
            number(row.factor, 3),
            number(row.days, 3),
        )
        for row in told.worth
    ]
    return "What is added", heads, rows


def _named(added: str, a: str, b: str) -> str:
    """Return what is added with the names of the groups, in few words: the table is wide."""
    head, _, group = added.rpartition(" of ")
    what = head.removeprefix("one more ")
    return f"+ 1 {what} of {({'a': a, 'b': b}).get(group, group)}" if head else added


def _costs(told: Planned) -> Printed:
    heads = ["companions\neach", "stations\nd", "calendar\nd", "exposure\nchanges", "water\nm3"]
    rows: list[Row] = [
        (
            f"{row.size} + {row.size}",
            str(row.companions),
            number(row.station_days, 3),
            number(row.calendar_days, 3),
            str(row.changes),
            number(row.water, 3),
        )
        for row in told.costs
    ]
    return f"On {_stations(told.plan.stations)}", heads, rows


def _stations(many: int) -> str:
    return "1 station" if many == 1 else f"{many} stations"


def _orders(told: Planned) -> Printed:
    heads = ["exposure\nchanges", "stations\nd", "calendar\nd"]
    rows: list[Row] = [
        (
            row.name,
            str(row.schedule.changes),
            number(row.schedule.busy / DAY, 3),
            number(row.schedule.end / DAY, 3),
        )
        for row in told.orders
    ]
    return "Order", heads, rows


def _order(told: Planned) -> Printed:
    """Return the drawn order, specimen by specimen."""
    rows: list[Row] = [
        (
            slot.specimen.name,
            slot.specimen.exposure + (", changed" if slot.changed else ""),
            str(slot.station),
            number(slot.start / DAY, 3),
            number(slot.end / DAY, 3),
        )
        for slot in told.orders[0].schedule.slots
    ]
    return f"Drawn, seed {told.plan.seed}", ["exposure", "station\n", "from\nd", "to\nd"], rows


def _percent(share: float) -> str:
    return f"{share * 100:.0f}"


def _p(p: float) -> str:
    return f"{p:.3f}" if p >= 0.001 else f"{p:.1e}"


def _count(cycles: float) -> str:
    return f"{cycles:,.0f}" if cycles < 1e6 else f"{cycles / 1e6:.3g}e6"
