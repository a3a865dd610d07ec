"""What mechanics foresees of a protocol that would spoil it: findings that warn, never refuse.

A prediction is no promise: a specimen may be off by as much as its strengths are. What is told
here is off by more than that. Shares are common practice without a source, or our own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from rig.mechanics.prediction import Span, is_unbonded, predict, span_of_lives
from rig.protocol.contradictions import by_load, goal_of
from rig.protocol.finding import Finding, figure
from rig.protocol.plan import Approach, Cyclic, Loading, Plan, Ramp, Static
from rig.protocol.position import Path

if TYPE_CHECKING:
    from rig.mechanics.prediction import Prediction
    from rig.protocol.plan import Stage

NEARLY_ALL: Final = 0.95
"""Share of the capacity above which a cycle may break the specimen as a static test would."""

UNLIKE: Final = 0.25
"""Difference between given and expected capacity that no scatter of strengths explains: a third
less strength takes 9 % off an under-reinforced section, and a sixth of the strength under water
takes no more off a section that crushes."""

UNLIKE_UNBONDED: Final = 0.5
"""The same without bond, where what is expected comes from the formula of a code, a safe one."""

FIRST_CRACK: Final = 0.80
"""Share of the cracking load up to which the first loading may be in load control."""

DECADES: Final = 2.0
"""Decades of life by which all models must agree that a run-out is never reached, or comes before
anything can have failed: more than lives scatter."""

TRIAL: Final = 1000
"""Cycles up to which a rig is tried, such as on a dummy beam, and no specimen is tested."""

SHORT: Final = 20_000
"""Cycles up to which, an hour or so, nobody expects to learn of a life."""


_UPPER: Final = ("loading", "upper")


def foreseen(plan: Plan) -> tuple[Finding, ...]:
    """Return what mechanics lets one expect that the protocol seems not to know of."""
    loading = plan.loading
    if loading is None:
        told = predict(plan.specimen, exposure=plan.exposure, by_code=True)
        return tuple(_of_first_crack(plan, told))
    told = predict(
        plan.specimen,
        loading.lower,
        loading.upper,
        plan.exposure,
        capacity=loading.capacity,
        frequency=loading.frequency,
        by_code=True,
    )
    return (
        *_of_capacity(loading, told),
        *_of_upper(plan, loading, told),
        *_of_first_crack(plan, told),
        *_of_run_out(plan, told),
        *_of_limits(plan, loading, told),
    )


def _of_capacity(loading: Loading, told: Prediction) -> Iterator[Finding]:
    """Warn of a capacity that cannot be that of such a specimen."""
    expected = told.load_of(told.ultimate.moment)
    share = loading.capacity / expected
    if abs(share - 1) <= (UNLIKE_UNBONDED if is_unbonded(told.specimen) else UNLIKE):
        return
    from_series = not loading.capacity_source.startswith("as written")
    word = "above" if share > 1 else "below"
    yield Finding(
        "protocol",
        ("loading", "capacity_from" if from_series else "capacity"),
        f"{_kn(loading.capacity)} lies {abs(share - 1) * 100:.0f} % {word} the {_kn(expected)} "
        "that such a specimen should carry",
        "take companions of the same geometry and exposure, or correct the specimen file",
    )


def _carried(loading: Loading, told: Prediction) -> float:
    """Return the load [N] that the specimen should carry at least, never less than is known."""
    expected = told.load_of(told.ultimate.moment)
    return max(expected, loading.capacity) if is_unbonded(told.specimen) else expected


def _of_upper(plan: Plan, loading: Loading, told: Prediction) -> Iterator[Finding]:
    cracking = told.load_of(told.cracking)
    expected = _carried(loading, told)
    if expected <= cracking:
        yield Finding(
            "protocol",
            ("specimen",),
            f"should carry {_kn(expected)} once it is cracked, and crack at {_kn(cracking)} only: "
            "it breaks as it cracks, and no cracked specimen can be tested",
            "look for a slip in its section, steel and tensile strength",
        )
    elif loading.upper < cracking and not _is_trial(plan):
        yield Finding(
            "protocol",
            _UPPER,
            f"{_kn(loading.upper)} is below the {_kn(cracking)} at which the specimen should "
            "crack: nothing opens, and no water gets in",
            f'give more than "{_up(cracking)}" to test a cracked specimen',
        )
    for carried, whose in (
        (loading.capacity, "of the capacity"),
        (expected, f"of the {_kn(expected)} that the specimen should carry"),
    ):
        if loading.upper > NEARLY_ALL * carried:
            yield Finding(
                "protocol",
                _UPPER,
                f"{_kn(loading.upper)} is {loading.upper / carried * 100:.0f} % {whose}: it may "
                "break in the first cycles, as in a static test",
                f'give at most "{_down(NEARLY_ALL * carried)}"',
            )
            break


def _of_first_crack(plan: Plan, told: Prediction) -> Iterator[Finding]:
    """Warn where the first stage that cracks the specimen goes by load."""
    cracking = told.load_of(told.cracking)
    for index, stage in enumerate(plan.stages):
        goal = _goal(plan, stage)
        if goal is None or goal <= FIRST_CRACK * cracking:
            continue
        if by_load(stage):
            slow = isinstance(stage, Static | Ramp)
            before = 'put a stage of kind = "static" with control = "deflection" before it'
            yield Finding(
                "protocol",
                ("stage", index, "control") if slow else ("stage", index),
                f"goes to {_kn(goal)} by load for the first time, and the specimen should crack at "
                f"{_kn(cracking)}: as it softens the rod jumps",
                'write control = "deflection", with speeds such as "0.2 mm/min"'
                if slow
                else before,
            )
        return


def _goal(plan: Plan, stage: Stage) -> float | None:
    """Return the highest load [N] of a stage, infinite where it breaks the specimen."""
    if isinstance(stage, Approach):
        return None
    if isinstance(stage, Cyclic):
        return plan.loading.upper if plan.loading else None
    goal = goal_of(stage)[0]
    return float("inf") if goal is None else goal


def _of_run_out(plan: Plan, told: Prediction) -> Iterator[Finding]:
    """Warn of a run-out that all models agree is far too early or never reached."""
    # Without bond only a bound is known here of the tendon's range, and none of its life.
    loose = is_unbonded(told.specimen)
    span = span_of_lives(life for life in told.lives if not (loose and life.part == "tendon"))
    if span is None or told.upper is None or told.upper.moment < told.cracking:
        return  # what stays whole is told of its load
    for index, stage in enumerate(plan.stages):
        if isinstance(stage, Cyclic):
            yield from _of_one_run_out(("stage", index, "run_out"), stage.run_out, span)


def _of_one_run_out(path: Path, run_out: int, span: Span) -> Iterator[Finding]:
    asked = math.log10(run_out)
    first, last = float(span.shortest.log10_cycles), float(span.longest.log10_cycles)
    if asked > last + DECADES:
        yield Finding(
            "protocol",
            path,
            f"{run_out:,} cycles are never reached where models expect a mean life of at most "
            f"{_cycles(last)} ({span.longest.part}, {span.longest.model})",
            "give less, or a smaller upper load",
        )
    elif run_out > SHORT and asked < first - DECADES:
        yield Finding(
            "protocol",
            path,
            f"{run_out:,} cycles tell nothing of the life where models expect a mean of at least "
            f"{_cycles(first)} ({span.shortest.part}, {span.shortest.model})",
            "give more, or a larger upper load",
        )


def _of_limits(plan: Plan, loading: Loading, told: Prediction) -> Iterator[Finding]:
    """Warn of a load limit that lies above what the specimen should carry, if the rig's does."""
    high = plan.limits.fixed.get("load", (0.0, 0.0))[1]
    armed = min(high, plan.rig.limits.get("load", (0.0, math.inf))[1])
    expected = _carried(loading, told)
    if loading.upper < expected < armed:
        yield Finding(
            "protocol",
            ("limits", "load", 1),
            f"{_kn(high)} lies above the {_kn(expected)} that the specimen should carry: it breaks "
            "before the limit trips",
            f'give less than "{_down(expected)}", or a smaller upper load',
        )


def _cycles(log10: float) -> str:
    return f"{float(figure(10**log10, 2)):,.0f} cycles" if log10 < 9 else f"10^{log10:.1f} cycles"


def _kn(force: float) -> str:
    return f"{figure(force / 1e3)} kN"


def _down(force: float) -> str:
    return f"{math.floor(force / 1e3):g} kN"


def _up(force: float) -> str:
    return f"{math.ceil(force / 1e3):g} kN"


def _is_trial(plan: Plan) -> bool:
    """Tell whether so few cycles are asked for that the rig is tried, on what must not crack."""
    return plan.cyclic is not None and plan.cyclic.run_out <= TRIAL
