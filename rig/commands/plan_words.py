"""What a plan comes to, in plain words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rig.lives.null_sums import reached

if TYPE_CHECKING:
    from rig.lives.planned import LifeRow, Planned
    from rig.lives.worth import Worth

ENOUGH = 0.8
"""Power that is commonly asked for. Common practice, no source."""
EXTRA = 0.02
"""False alarms over the significance from which they are told."""


def plan_words(told: Planned) -> list[str]:
    """Return a few lines: what is out of reach, what suffices, what capacities spoil, what buys."""
    return [*_out_of_reach(told), *_enough(told), *_false_alarms(told), *_best(told)]


def _out_of_reach(told: Planned) -> list[str]:
    few = [row for row in told.smallest if not reached(row.one_sided[0], told.plan.significance)]
    if not few:
        return []
    row = few[-1]
    return [
        f"{row.size} + {row.size} lives cannot come to {told.plan.significance * 100:.3g} %: their "
        f"smallest one-sided p is {row.one_sided[0]:.2g}, whatever happens"
    ]


def _enough(told: Planned) -> list[str]:
    """Return the smallest size that shows each ratio, at the first run-out count."""
    lines = []
    for ratio in told.plan.ratios:
        rows = [r for r in told.lives if r.ratio == ratio and r.run_out == told.run_out]
        good = [r for r in rows if r.known.power >= ENOUGH]
        a, b = told.assumed.a, told.assumed.b
        if good:
            said = f"{_size(good[0])} lives show it in {good[0].known.power:.0%} of series"
        else:
            best = max(rows, key=lambda r: r.known.power)
            said = f"no size here shows it in {ENOUGH:.0%} of series, {_size(best)} in " + (
                f"{best.known.power:.0%}"
            )
        lines.append(f"if {a} lives {ratio:g} times as long as {b}: {said}")
    return lines


def _size(row: LifeRow) -> str:
    return f"{row.size} + {row.size}"


def _false_alarms(told: Planned) -> list[str]:
    """Say where the error of the capacities alone makes differences."""
    found = [
        (power.false_alarms, row, m)
        for row in told.lives
        for m, power in row.carried
        if power.false_alarms > told.plan.significance + EXTRA
    ]
    if not found:
        return []
    share, row, m = max(found, key=lambda f: f[0])
    return [
        f"beware: with capacities by {m} companions {_size(row)} lives show a difference in "
        f"{share:.0%} of series where there is none; carried, the error leaves less to be shown"
    ]


def _best(told: Planned) -> list[str]:
    """Say which single addition narrows the interval of the ratio most for its days."""
    base, *more = told.worth
    single = [row for row in more if row.days > 0.0 and row.factor < base.factor < float("inf")]
    if not single:
        return []
    best = max(single, key=lambda row: _gain(base, row) / row.days)
    groups = {"a": told.assumed.a, "b": told.assumed.b}
    head, _, group = best.added.rpartition(" of ")
    return [
        f"for its days {head} of {groups.get(group, group)} buys most: the interval of the ratio "
        f"reaches {best.factor:.3g} times up and down in place of {base.factor:.3g}"
    ]


def _gain(base: Worth, row: Worth) -> float:
    return base.factor / row.factor - 1.0
