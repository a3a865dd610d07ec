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
ASSUMES = (
    "All of it rests on what is assumed below: lives are drawn as lognormal of one scatter, loads "
    "as normal. Exact tests assume one run-out count fixed beforehand, and specimens that could as "
    "well have been given to the other group."
)


def plan_words(told: Planned) -> list[str]:
    """Return sentences: what is out of reach, what suffices, what spoils it, what buys, on what."""
    return [
        *_out_of_reach(told),
        *_enough(told),
        *_false_alarms(told),
        *_within(told),
        *_best(told),
        ASSUMES,
    ]


def _out_of_reach(told: Planned) -> list[str]:
    few = [row for row in told.smallest if not reached(row.one_sided[0], told.plan.significance)]
    if not few:
        return []
    row = few[-1]
    return [
        f"{row.size} + {row.size} lives cannot come to {told.plan.significance * 100:.3g} %: their "
        f"smallest one-sided p is {row.one_sided[0]:.2g}, whatever happens."
    ]


def _enough(told: Planned) -> list[str]:
    """Return the smallest size that shows each ratio, at the first run-out count."""
    lines = []
    for ratio in told.plan.ratios:
        rows = [r for r in told.lives if r.ratio == ratio and r.run_out == told.run_out]
        good = [r for r in rows if r.known.power >= ENOUGH]
        a, b = told.assumed.a, told.assumed.b
        if good:
            best = good[0]
            said = f"{_size(best)} lives show it in {_share(best.known.power)} of series"
        else:
            best = max(rows, key=lambda r: r.known.power)
            said = f"no size here shows it in {_share(ENOUGH)} of series, {_size(best)} in " + (
                _share(best.known.power)
            )
        lines.append(
            f"If {a} lives {ratio:g} times as long as {b}: {said}, if the capacities are known"
            f"{_with_error(best)}."
        )
    return lines


def _with_error(row: LifeRow) -> str:
    """Return what is left where capacities are means of few companions, of the most of them."""
    if not row.carried:
        return ""
    m, power = row.carried[-1]
    return f"; {_share(power.power_carried)} with the error of {m} companions each carried"


def _share(share: float) -> str:
    return f"{share * 100:.0f} %"


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
        f"Beware: with capacities by {m} companions each, whose error is not carried, "
        f"{_size(row)} lives show a difference in {_share(share)} of series where there is none."
    ]


def _within(told: Planned) -> list[str]:
    """Say what takes lives that cannot show anything within reach of the significance soonest."""
    significance = told.plan.significance
    base, *more = told.worth
    able = [row for row in more if reached(row.power.smallest_p, significance)]
    if not able or reached(base.power.smallest_p, significance):
        return []
    best = min(able, key=lambda row: row.days)
    added = _added(best, told)
    return [
        f"{added[0].upper()}{added[1:]} takes {base.size.lives_a} + {base.size.lives_b} lives "
        f"within reach of {significance * 100:.3g} %: their smallest p is then "
        f"{best.power.smallest_p:.2g} in place of {base.power.smallest_p:.2g}, for "
        f"{best.days:.3g} days of a station."
    ]


def _added(row: Worth, told: Planned) -> str:
    """Return what is added with the name of its group."""
    head, _, group = row.added.rpartition(" of ")
    return f"{head} of {({'a': told.assumed.a, 'b': told.assumed.b}).get(group, group)}"


def _best(told: Planned) -> list[str]:
    """Say which single addition narrows the interval of the ratio most for its days."""
    base, *more = told.worth
    single = [row for row in more if row.days > 0.0 and row.factor < base.factor < float("inf")]
    if not single:
        return []
    best = max(single, key=lambda row: _gain(base, row) / row.days)
    return [
        f"For its days, {_added(best, told)} narrows the ratio most: its interval reaches "
        f"{best.factor:.3g} times up and down in place of {base.factor:.3g}."
    ]


def _gain(base: Worth, row: Worth) -> float:
    return base.factor / row.factor - 1.0
