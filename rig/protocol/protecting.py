"""Limits that would not protect: that cannot trip, trip too late, or are no controller's own.

Figures are common practice without a source. A limit that is armed is the tighter one of protocol
and rig file; one that the other file makes harmless is not spoken of.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from rig.channels import shown
from rig.protocol.capability import BROKEN, Capability, capability, channel_of, has_sampled
from rig.protocol.expected import expected
from rig.protocol.finding import Finding
from rig.protocol.plan import Plan
from rig.protocol.position import Path
from rig.protocol.residual import residual_stages
from rig.protocol.rig_file import SIMULATED

DEEP: Final = 1 / 100
"""Net deflection over span beyond which nothing is cycled that has not failed."""

_SURE: Final = 3.0
"""Standard deviations of noise by which the channel must be able to show more than the limit."""


def unprotected(plan: Plan, needed: Capability) -> tuple[Finding, ...]:
    """Return which limits of a plan would not protect, and what none protects from."""
    broken = residual_stages(plan)
    if not broken:
        return _unprotected(plan, needed)
    # Two tests of one specimen, each under limits of its own.
    cycled = replace(plan, stages=plan.stages[: -len(broken)])
    found = (*_unprotected(cycled, capability(cycled)), *_while_broken(plan, needed))
    return tuple(dict.fromkeys(found))


def _while_broken(plan: Plan, needed: Capability) -> Iterator[Finding]:
    """Yield what is wrong with the limits of the static test after a run-out."""
    armed = replace(plan, limits=replace(plan.limits, fixed=plan.limits.residual))
    # What bends too far in cycles says nothing of the limit that stands while it is broken.
    broken = replace(needed, cycling=None)
    for finding in (*_of_load(armed, broken), *_of_deflection(armed, broken)):
        ours = finding.file == "protocol"
        path = ("limits", "residual", *finding.path[1:]) if ours else finding.path
        yield replace(finding, path=path)


def _unprotected(plan: Plan, needed: Capability) -> tuple[Finding, ...]:
    return (
        *_of_load(plan, needed),
        *_of_stroke(plan),
        *_of_deflection(plan, needed),
        *_of_controller(plan),
    )


def _armed(plan: Plan, name: str, end: int) -> tuple[float, str] | None:
    """Return the tighter bound [SI] of a channel (`end` 0 is low, 1 high) and its file."""
    named = [
        (limits[name][end], file)
        for file, limits in (("protocol", plan.limits.fixed), ("rig", plan.rig.limits))
        if name in limits
    ]
    if not named:
        return None
    return min(named) if end else max(named)


def _of_load(plan: Plan, needed: Capability) -> Iterator[Finding]:
    armed = _armed(plan, "load", 1)
    if armed is None:
        return
    high, file = armed
    path: Path = ("limits", "load", 1)
    most = plan.rig.actuator.load[1]
    top = needed.cell.high - _SURE * needed.cell.noise
    if high > most:
        yield Finding(
            file,
            path,
            f"{_told('load', high)} is more than the actuator gives, {_told('load', most)}, and "
            "would never trip",
            "give less",
        )
    elif high > top:
        yield Finding(
            file,
            path,
            f"{_told('load', high)} lies at the end of what the cell shows, "
            f"{_told('load', needed.cell.high)}, and may never trip",
            f'give at most "{_told("load", top)}"',
        )
    if needed.to_ultimate and high < needed.ultimate:
        yield Finding(
            file,
            path,
            f"{_told('load', high)} ends the test before the specimen breaks, which should carry "
            f"about {_told('load', needed.ultimate)}",
            "give more, where the rig bears it",
        )


def _of_stroke(plan: Plan) -> Iterator[Finding]:
    """Yield what is wrong with the bounds of the rod's way."""
    reach = plan.rig.actuator.stroke
    for end, word in enumerate(("low", "high")):
        armed = _armed(plan, "stroke", end)
        if armed is None:
            continue
        bound, file = armed
        outside = bound < reach[0] if end == 0 else bound > reach[1]
        if outside:
            yield Finding(
                file,
                ("limits", "stroke", end),
                f"{_told('stroke', bound)} lies beyond the actuator's own end, "
                f"{_told('stroke', reach[end])}, and the {word} limit would never trip",
                "stay within its stroke, by the way that it takes to stop",
            )
    if _armed(plan, "stroke", 1) is None and _could_limit_stroke(plan):
        yield Finding(
            "rig",
            ("limits",),
            "the controller itself limits no stroke: a broken beam shows no load, and the rod goes "
            "on as long as this program does not stop it",
            f"add {_example(plan)}",
        )


def _could_limit_stroke(plan: Plan) -> bool:
    rig = plan.rig
    if rig.driver == SIMULATED or rig.actuator.limits != "controller":
        return False
    controller = rig.wire.controller if rig.wire else None
    known = controller is None or not controller.limits or "stroke" in controller.limits
    return known and has_sampled(plan, "stroke")


def _example(plan: Plan) -> str:
    low, high = plan.rig.actuator.stroke
    return (
        f'stroke = ["{_told("stroke", low * 0.9)}", "{_told("stroke", high * 0.9)}"], and nearer '
        "in the protocol once contact is known"
    )


def _of_deflection(plan: Plan, needed: Capability) -> Iterator[Finding]:
    armed = _armed(plan, "deflection", 1)
    if armed is None:
        return
    high, file = armed
    path: Path = ("limits", "deflection", 1)
    seen = channel_of(plan, "midspan").high
    if high >= seen:
        yield Finding(
            file,
            path,
            f"{_told('deflection', high)} is no less than midspan can show, "
            f"{_told('deflection', seen)}, and would never trip",
            "give less, or take a longer transducer",
        )
    span = plan.specimen.section.span
    if needed.to_ultimate and high < (end := expected(plan.specimen).ultimate_deflection):
        yield Finding(
            file,
            path,
            f"{_told('deflection', high)} ends the test before the specimen breaks, which should "
            f"bend about {_told('deflection', end)} until then",
            f'give more than "{_told("deflection", span * BROKEN)}", where it is over in any case',
        )
    if needed.cycling is None:
        return
    bends = needed.deflection / needed.cycling.softening
    deep = span * DEEP
    if high < bends:
        yield Finding(
            file,
            path,
            f"{_told('deflection', high)} may trip before the {needed.force_of} is reached: "
            f"cracked, the specimen should bend {_told('deflection', bends)}",
            "give more, or a smaller load",
        )
    elif high > max(deep, 2 * needed.deflection):
        yield Finding(
            file,
            path,
            f"{_told('deflection', high)} is more than a hundredth of the span: what bends so far "
            "has failed long before",
            f'give at most "{_told("deflection", max(deep, 2 * needed.deflection))}"',
        )


def _of_controller(plan: Plan) -> Iterator[Finding]:
    if plan.rig.actuator.limits == "software only":
        yield Finding(
            "rig",
            ("actuator", "limits"),
            '"software only" leaves all limits to this program: nothing stops the rod where the '
            "computer hangs or a line breaks",
            "have the limits set in the controller, and read back",
        )


def _told(name: str, value: float) -> str:
    return shown(name, value, digits=4)
