"""What a proof of stopping tries on a rig, one row after the other, and how the rod moves in it.

Figures are common practice without a source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

from rig.guards.learned import combine
from rig.protocol.plan import Bounds, Failure, FullRate, Hold, Limits, Plan, RigPlan

How = Literal["own limit", "limit", "input", "watchdog", "request"]
"""What stops the rod: a limit of the controller's own, one of ours, an input, the controller's
watchdog, or somebody who asks for a stop."""

SPEED: Final = 5e-4
"""[m/s] at which the rod moves at most unless told: that of an approach."""
USUAL_MOST: Final = 1e-3
"""[m/s] beyond which it must be told."""
MOST: Final = 1e-2
UP_TO_SHARE: Final = 0.20
"""Of the actuator's load: how far the dummy beam is loaded at most, unless told."""
CONTACT_SHARE: Final = 0.02
LEAST_CONTACT: Final = 500.0
"""Contact load [N]: a share of the highest one, at least so much."""
GIVE_UP: Final = 2e-2
AFTER: Final = 1.0
"""Seconds of samples after each stop."""


@dataclass(frozen=True, slots=True)
class Row:
    """One thing that must stop the rig.

    `cause` is what people read and the rig file keeps, `what` the channel or the input (by its
    name in `rig.ports.InputState`), `stop` the cause under which the conductor must stop.
    """

    cause: str
    how: How
    what: str
    stop: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A row that cannot be tried on a rig, and why."""

    cause: str
    why: str


_OWN: Final = (
    Row("controller's limit on load", "own limit", "load", "limit"),
    Row("controller's limit on stroke", "own limit", "stroke", "limit"),
)
_OURS: Final = (
    Row("limit on load", "limit", "load", "limit"),
    Row("limit on stroke", "limit", "stroke", "limit"),
    Row("limit on deflection", "limit", "deflection", "limit"),
)
_INPUTS: Final = (
    Row("emergency stop", "input", "emergency_stop", "emergency_stop"),
    Row("guard", "input", "guard_open", "guard"),
    Row("leak", "input", "leak", "leak"),
    Row("oil pressure", "input", "oil_pressure_low", "oil"),
    Row("mains", "input", "mains_lost", "mains"),
)
_LAST: Final = (
    Row("watchdog", "watchdog", "", "watchdog"),
    Row("stop on request", "request", "", "operator"),
)

ROWS: Final = (*_OWN, *_OURS, *_INPUTS, *_LAST)
"""All rows, in the order in which they are tried."""


@dataclass(frozen=True, slots=True)
class Moving:
    """How the rod moves: highest speed [m/s], load of contact and the highest one [N].

    On a stiff beam it moves slower, so that the highest load is not reached.
    """

    speed: float
    contact: float
    up_to: float


def moving(rig: RigPlan, speed: float | None, up_to: float | None) -> Moving:
    """Return how the rod moves on a rig; None for what is not told."""
    most = rig.actuator.load[1]
    if "load" in rig.limits:
        most = min(most, rig.limits["load"][1])
    load = min(up_to if up_to is not None else UP_TO_SHARE * rig.actuator.load[1], most)
    pace = min(SPEED, rig.actuator.speed) if speed is None else speed
    return Moving(pace, max(CONTACT_SHARE * load, LEAST_CONTACT), load)


def rows_of(rig: RigPlan) -> tuple[tuple[Row, ...], tuple[LeftOut, ...]]:
    """Return the rows that can be tried on a rig, and those that cannot."""
    left = [LeftOut(row.cause, why) for row in ROWS if (why := _lacks(rig, row))]
    causes = {one.cause for one in left}
    return tuple(row for row in ROWS if row.cause not in causes), tuple(left)


def _lacks(rig: RigPlan, row: Row) -> str:
    """Return why a row cannot be tried, or nothing."""
    sampled = {channel.name for channel in rig.sampled}
    if row.how == "own limit":
        if rig.actuator.limits != "controller":
            return "the controller has no limits of its own"
        own = _own_limits(rig)
        return "" if own is None or row.what in own else "the controller has no such limit"
    if row.how == "limit":
        needed = "midspan" if row.what == "deflection" else row.what
        return "" if needed in sampled else f"{needed} is not sampled"
    if row.how == "input" and rig.wire is not None:
        wired = {point.what for device in rig.wire.modbus for point in device.points}
        return "" if row.what in wired else "the rig file has no such input"
    return ""


def _own_limits(rig: RigPlan) -> frozenset[str] | None:
    """Return what the controller has a limit on; None where the rig file does not tell."""
    if rig.wire is None or rig.wire.controller is None:
        return None
    return frozenset(rig.wire.controller.limits)


def bounds_of(rig: RigPlan, how: Moving) -> dict[str, Bounds]:
    """Return the bounds [SI] armed in every row: those of the rig, and the highest load."""
    actuator = rig.actuator
    wide: dict[str, Bounds] = {"load": (actuator.load[0], how.up_to)}
    own = _own_limits(rig)
    if actuator.limits == "controller" and (own is None or "stroke" in own):
        wide["stroke"] = actuator.stroke
    return combine(rig.limits, wide)


def trial_plan(plan: Plan, row: Row, bounds: Mapping[str, Bounds], how: Moving) -> Plan:
    """Return a plan that does nothing but hold: what a conductor needs to try a row."""
    return replace(
        plan,
        title=f"proof of stopping: {row.cause}",
        specimen_id="dummy beam",
        exposure="dry",
        loading=None,
        stages=(Hold("proof of stopping", how.contact, 0.0),),
        spray=None,
        inspections=None,
        failure=Failure(),
        limits=Limits(fixed=dict(bounds), persist=plan.limits.persist),
        full_rate=FullRate(after_stop=AFTER),
        attendance=None,
    )
