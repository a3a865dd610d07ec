"""What happened to a test that is to go on, what its record holds, and what comes now, in words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime
from typing import TYPE_CHECKING, Final

from rig.commands.folders import local_time
from rig.control.taken_up import Verdict
from rig.control.water_account import dry_limit
from rig.monitor.words import quantity, span

if TYPE_CHECKING:
    from rig.assembly.looking_back import LookBack
    from rig.protocol.plan import Plan

DOING: Final = {
    "idle": "before it began",
    "checklist": "waiting for the checklist",
    "starting": "about to move",
    "approach": "going towards the specimen",
    "static": "in a slow cycle",
    "ramp": "in a slow loading",
    "hold": "holding a load",
    "build-up": "building up the amplitude",
    "cycling": "cycling",
    "inspection": "in an inspection",
    "waiting": "standing at an inspection",
    "locked": "held for people at the rig",
    "pausing": "going to rest",
    "paused": "paused",
    "unloading": "unloading",
    "unloaded": "standing unloaded",
    "re-wetting": "wetting the specimen again",
    "stopping": "being stopped",
    "stopped": "stopped, its record not yet closed",
}
"""What a test was doing in each state."""


def happened(found: LookBack) -> str:
    """Return what put an end to a run, for its record and for people."""
    point = found.point or {}
    if found.ending is not None:
        what = "it" if found.ending.residual is None else "its residual test"
        return f"{what} ended with {found.ending.last.outcome}: {found.ending.last.why}"
    verdict = Verdict.from_plain(point["verdict"]) if point.get("verdict") else None
    if verdict and verdict.cause == "record":
        return f"it was stopped because nothing could be recorded any more: {verdict.last.why}"
    if verdict and verdict.last.outcome == "operator":
        return f"{verdict.last.why}, and its record was not closed"
    doing = DOING.get(str(point.get("state", "idle")), "under way")
    return f"its program was gone (killed, or a power cut) while {doing}"


def account(found: LookBack, gone: float, mended: str, doubt: str, now: datetime) -> list[str]:
    """Return the lines that are said before anything moves.

    `gone` is how long [s] of test time nothing will have carried the test; `now` is UTC.
    """
    plan = found.plan
    lines = [
        found.header.title,
        f"  test      {_kind(found)} on {plan.rig.name}, in {found.folder}",
        f"  happened  {happened(found)}{_when(found, now)}",
        f"  kept      {_kept(found)}",
        f"  stands    {'; '.join(_stands(found, plan, gone))}",
    ]
    lines += [f"  doubt     {doubt}"] if doubt else []
    lines += [f"  mended    {mended}"] if mended else []
    lines += [f"  rig file  {found.rig_file[0]}, from now on"] if found.rig_file else []
    return [*lines, f"  now       {_now(found, plan)}"]


def _kind(found: LookBack) -> str:
    if found.rehearsal:
        return "rehearsal"
    return "run" if found.header.simulated is False else "run with a simulated specimen"


def _when(found: LookBack, now: datetime) -> str:
    if found.status is None:
        return ""
    stamp = found.status.stamp
    ago = (now - datetime.fromisoformat(stamp)).total_seconds()
    return f"; {local_time(stamp)}, {span(ago)} ago" if ago >= 0 else f"; {local_time(stamp)}"


def _kept(found: LookBack) -> str:
    cycles = f"cycle {found.cycles:,}"
    if not found.cycles:
        return "all that was recorded; no cycle was counted yet"
    if found.ran_out is not None:
        return f"all cycles up to its run-out, {found.ran_out.cycles:,}"
    if found.ending is not None:
        return f"all {found.cycles:,} cycles"
    if found.kept_rows is None:
        return f"all up to {cycles}; at most the last half second is missing"
    again = found.cycles - _first_again(found) + 1
    if not again:
        return f"all up to {cycles}, the simulated specimen too"
    return f"all up to {cycles}; the last {again:,} are made again, the specimen is simulated"


def _first_again(found: LookBack) -> int:
    """Return the first cycle that will be counted: a simulated specimen stands further back."""
    kept = found.kept_rows
    return (found.cycles if kept is None else kept["cycles"]) + 1


def _stands(found: LookBack, plan: Plan, gone: float) -> Iterator[str]:
    point = found.point
    if point is None or not point["stage_number"]:
        yield "before its first stage"
        return
    yield f"stage {point['stage_number']} of {len(plan.stages)}, {point['stage']}"
    if found.ran_out is not None:
        yield f"run-out at {found.ran_out.cycles:,} cycles, its residual capacity not known yet"
    elif plan.cyclic is not None and found.cycles:
        yield f"{found.cycles:,} of {plan.cyclic.run_out:,} cycles"
    if plan.cyclic is not None and found.cycles:
        base = point["baseline_stiffness"]
        yield f"baseline {quantity(base, 'N/m')}" if base else "no baseline yet"
    if plan.inspections is not None and found.cycles:
        last = point["inspected"]
        yield f"inspected at {last:,} cycles" if last else "no inspection yet"
    dry = dry_for(found, gone)
    if dry > 0:
        frequency = plan.loading.frequency if plan.loading else math.inf
        limit = dry_limit(plan.spray, frequency) if plan.spray else math.inf
        first = ", so wetted first" if dry > limit else ""
        yield f"dry for {span(dry)}{first}"


def dry_for(found: LookBack, gone: float) -> float:
    """Return for how long [s] a sprayed specimen will have been dry, 0 where it is not sprayed."""
    point = found.point
    if point is None or found.plan.spray is None:
        return 0.0
    since = point["water"]["dry_since"]
    if since is None and point["water"]["spray"]["on_since"] is not None:
        since = point["frame"]
    if since is None:
        return 0.0
    return max(found.ended + gone - int(since) / found.header.rate, 0.0)


def _now(found: LookBack, plan: Plan) -> str:
    first = "" if found.header.simulated else "the checklist, then "
    point = found.point
    if point is None or not point["stage_number"]:
        return f"{first}it begins with its first stage"
    words = f"{first}limits read back, zeros, contact"
    stage = plan.stages[point["stage_number"] - 1]
    if plan.cyclic is None or stage.name != plan.cyclic.name or not found.cycles:
        return f"{words}, then stage {stage.name} goes on"
    if found.ran_out is not None:
        return f"{words}, slow cycle, then the inspection after its run-out, from its beginning"
    asks = "that is written down" if found.rehearsal else "it waits for you"
    check = (
        "its stiffness"
        if math.isnan(found.stiffness)
        else (f"stiffness within 5 % of {quantity(found.stiffness, 'N/m')}, else {asks}")
    )
    return f"{words}, slow cycle: {check}; cycles from {_first_again(found):,} on"
