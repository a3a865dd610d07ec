"""What `check` warns of once the files are in order: capability, limits, water, today."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from rig.commands.files import SIMULATED
from rig.protocol.finding import Finding, figure, placed
from rig.protocol.foreseen import foreseen
from rig.protocol.measuring import unmeasured
from rig.protocol.protecting import unprotected
from rig.protocol.shortcomings import shortcomings
from rig.protocol.tank import mean_use

if TYPE_CHECKING:
    from rig.protocol.capability import Capability
    from rig.protocol.estimate import Estimate
    from rig.protocol.plan import Plan

_ACCEPT = (
    "without these calibrations nightrig run starts a real rig only with --accept NAME: "
    "somebody takes it on"
)


def warnings_of(
    plan: Plan, need: Estimate, needed: Capability, files: Mapping[str, str]
) -> list[str]:
    """Return warnings as lines; `files` are the names of "protocol" and "rig"."""
    findings = (
        *shortcomings(plan, needed),
        *unmeasured(plan, needed),
        *unprotected(plan, needed),
        *foreseen(plan),
    )
    return [
        *(str(warning) for warning in placed(findings, plan, files)),
        *_dry_tank(plan, needed),
        *_of_today(plan, need, files),
    ]


def as_driven(plan: Plan) -> Plan:
    """Return the plan with the speed at which its rig will really be driven."""
    if plan.rig.actuator.limits != "software only":
        return plan
    # Imported late: few rigs are.
    from rig.control.checklist import SOFTWARE_ONLY_SPEED

    actuator = plan.rig.actuator
    slow = replace(actuator, speed=min(actuator.speed, SOFTWARE_ONLY_SPEED))
    return replace(plan, rig=replace(plan.rig, actuator=slow))


def _dry_tank(plan: Plan, needed: Capability) -> list[str]:
    """Warn of a tank that is empty before the run-out: without water the test stops."""
    pump, spray = plan.rig.pump, plan.spray
    if needed.tank_lasts is None or pump is None or spray is None:
        return []
    flows, enough = (
        f" although {figure(pump.make_up * 6e4)} L/min flow in",
        f" of {figure(mean_use(spray) * 6e4)} L/min",
    )
    return [
        f"the tank ({pump.tank * 1e3:,.0f} L) is empty after about "
        f"{needed.tank_lasts / 3600:.0f} h{flows if pump.make_up else ''}; "
        f"fill it in time or connect a supply{enough if pump.make_up else ''}"
    ]


def _of_today(plan: Plan, need: Estimate, files: Mapping[str, str]) -> list[str]:
    """Warn of what is due or has not been yet, and of a weekend; a rehearsal knows no day."""
    if plan.rig.driver == SIMULATED:
        return []
    # Imported late: only a rig of steel and oil has a calendar.
    from rig.clock import SystemClock
    from rig.control.hours import local
    from rig.control.weekend import ends_on_weekend
    from rig.protocol.doubts import CALIBRATION, plan_doubts
    from rig.protocol.specimen_history import yet_to_come

    now = SystemClock().utc()
    weekend = ends_on_weekend(plan, need.duration_s, now)
    today = local(plan.hours, now).date()
    ahead = [
        Finding("protocol", ("specimen",), words, "correct the day in its file, or test it later")
        for words in yet_to_come(plan.specimen.history, today)
    ]
    doubts = plan_doubts(plan, today)
    refused = [doubt.text for doubt in doubts if doubt.kind == CALIBRATION]
    others = [doubt.text for doubt in doubts if doubt.kind != CALIBRATION]
    told = [*refused, *([_ACCEPT] if refused else []), *others]
    return [
        *([weekend] if weekend else []),
        *(str(warning) for warning in placed(ahead, plan, files)),
        *(f"{files['rig']}: {text}" for text in told),
    ]
