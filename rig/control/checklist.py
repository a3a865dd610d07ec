"""What a person confirms by name before pressure goes on at a rig that can hurt somebody.

Figures are common practice without a source. The list replaces neither local codes nor the
machine's manual nor the decision of licensed people.
"""

from __future__ import annotations

from typing import Final

from rig.control.desk import Request
from rig.control.levels import Levels
from rig.ports import InputState
from rig.protocol.plan import Plan
from rig.protocol.residual import breaks

CAUTIONS: Final = (
    "Software is no safety system: guards, emergency stop and the controller's own limits "
    "come first.",
    "Local codes, the machine's manual and licensed people decide; this list replaces none of "
    "them.",
    "A prestressed beam that breaks lets go of its energy at once: nobody within reach while "
    "the pressure is on.",
)
"""Shown before the list."""

_ALWAYS: Final = (
    "guards are closed and interlocked",
    "hydraulic isolation is known to everybody here and was tried today",
    "the residual-current device was tested",
    "rod and spreader beam are held against a drop",
    "catch beams stand at most 20 mm below the specimen",
    "loose parts and the specimen's ends are tethered",
    "accumulators are discharged or locked off before anybody reaches in",
    "the controller's own limits were read back and are equal to the protocol's",
    "the emergency stop was tried and stops the rig",
)

_WATER: Final = (
    "electrics and connectors are out of the splash zone",
    "the sump float was tried",
)

_AIR: Final = ("no specimen is in the frame, and nothing lies in the rod's way",)

_PIECES: Final = "what breaks off the specimen, which is loaded until it breaks, is caught"

ON_CALL: Final = "somebody is on call: name and telephone number are written down"

GUARD_OPEN: Final = "the guard is open; close it"
OIL_START: Final = 298.15  # [K], 25 C; common practice, no source

SOFTWARE_ONLY_SPEED: Final = 0.010
"""Highest actuator speed [m/s] where the controller has no limits of its own."""


def checklist(plan: Plan) -> tuple[str, ...]:
    """Return the items to confirm, one by one, for a plan on its rig."""
    water = _WATER if plan.spray is not None or plan.exposure != "dry" else ()
    air = _AIR if plan.air is not None else ()
    breaking = plan.air is None and any(map(breaks, plan.stages))
    pieces = (f"{_PIECES}; {Levels(plan).people_out_words}",) if breaking else ()
    accepted = tuple(f"accepted: {doubt}" for doubt in plan.accepted)
    return (*_ALWAYS, *air, *water, *pieces, *_lacking(plan), *accepted, ON_CALL)


def _lacking(plan: Plan) -> tuple[str, ...]:
    """Return what the rig does without; whoever starts it takes that on."""
    rig = plan.rig
    lacks = []
    if not any(c.name == "load_2" for c in rig.channels):
        lacks.append("accepted: no second load measure, a wrong load cell is not noticed")
    if rig.warning is None:
        lacks.append("accepted: no horn or lamp warns before motion")
    if rig.actuator.limits == "software only":
        lacks.append(
            "accepted: the controller has no limits of its own, these are software only; "
            f"actuator speed is throttled to {SOFTWARE_ONLY_SPEED * 1e3:g} mm/s"
        )
    return tuple(lacks)


def refusal(plan: Plan) -> str:
    """Return why a plan cannot run on a rig that is not emulated, or nothing."""
    if not plan.rig.local_input:
        return (
            f"rig {plan.rig.name!r} has no local input: without a button or key at the rig nobody "
            'there can allow motion; wire one and name it in the rig file (local_input = "button")'
        )
    return ""


def missing(plan: Plan, confirmed: Request) -> str:
    """Return what a confirmation lacks, in words, or nothing."""
    left = [item for item in checklist(plan) if item not in confirmed.items]
    if left:
        return f"not confirmed: {'; '.join(left)}"
    if not confirmed.who.strip():
        return "not confirmed: the name of who confirms is missing"
    if not confirmed.on_call.strip() or not any(c.isdigit() for c in confirmed.on_call):
        return 'not confirmed: who is on call is missing (such as "NAME, +00 000 0000")'
    return ""


def not_ready(inputs: InputState) -> str:
    """Return which input of the rig speaks against a start, in words, or nothing."""
    if inputs.emergency_stop:
        return "the emergency stop is pressed"
    if inputs.guard_open:
        return GUARD_OPEN
    if inputs.oil_temperature is not None and inputs.oil_temperature < OIL_START:
        return f"oil at {inputs.oil_temperature - 273.15:.0f} C; warm it up to 25 C"
    return ""
