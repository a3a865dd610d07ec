"""Residual capacity: the static test to ultimate that may follow a run-out, and its own limits.

A specimen that has run out is broken slowly afterwards, in the same frame. The limits of the
cycles would stop that at their upper load, and wider ones would not protect the cycles: so the
static test has limits of its own, which are armed once it begins.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rig.protocol.document import Document
from rig.protocol.draft import Draft
from rig.protocol.plan import Approach, Cyclic, Plan, Ramp, Stage

PASTE: Final = 'add [limits.residual] with load = ["-2 kN", "160 kN"], above what you expect'


def after_run_out(stages: Sequence[Stage | None]) -> tuple[Stage | None, ...]:
    """Return the stages behind the first cyclic one: what is done with a run-out."""
    kinds = [isinstance(stage, Cyclic) for stage in stages]
    return tuple(stages[kinds.index(True) + 1 :]) if any(kinds) else ()


def residual_stages(plan: Plan) -> tuple[Stage, ...]:
    """Return the stages of the static test after a run-out, none where the protocol has none."""
    return tuple(stage for stage in after_run_out(plan.stages) if stage is not None)


def breaks(stage: Stage | None) -> bool:
    """Tell whether a stage loads until the specimen breaks."""
    return isinstance(stage, Ramp) and stage.until is not None


def check_residual(document: Document, draft: Draft) -> None:
    """Note what is wrong with what follows a cyclic stage, and with its limits."""
    following = after_run_out(draft.stages)
    begin = len(draft.stages) - len(following)
    for index, stage in enumerate(following, begin):
        if stage is None or breaks(stage):
            continue
        if not isinstance(stage, Approach) or index > begin:
            document.refuse(
                ("stage", index),
                "comes after the cyclic stage, with which the fatigue test ends: never reached",
                "put it before, or take it out; after a run-out only the residual capacity is "
                'tested: an approach if wished, then a ramp with until = "ultimate"',
            )
        elif index == len(draft.stages) - 1:
            document.refuse(
                ("stage", index),
                "comes after the cyclic stage and leads to nothing",
                'add a ramp with until = "ultimate" behind it, or take it out',
            )
    _check_limits(document, draft, breaking=any(breaks(stage) for stage in following))


def _check_limits(document: Document, draft: Draft, *, breaking: bool) -> None:
    limits, unread = draft.limits.residual, {"limits", "stage"} & draft.wrong
    if breaking and "load" not in limits and draft.limits.fixed and not unread:
        document.refuse(
            ("stage", len(draft.stages) - 1),
            "goes to the ultimate load under the limits of the cycles",
            PASTE,
        )
    if limits and not breaking and not unread:
        document.refuse(
            ("limits", "residual"),
            "has no static test after a run-out to protect",
            'add a last stage of kind = "ramp" with until = "ultimate", or take it out',
        )
