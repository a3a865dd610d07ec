"""Why the figures of a rig are in doubt on a day: what was never shown, or too long ago.

Nothing is doubted of a simulated rig. Figures are common practice without a source; that loads in
motion are compared with those of a gauged beam follows ISO 4965-1, which is written for axial
machines and is guidance only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date as Date  # noqa: N812 - as in trust.py
from datetime import timedelta
from typing import Final

from rig.channels import Channel, shown
from rig.protocol.contradictions import goal_of
from rig.protocol.estimate import estimate
from rig.protocol.plan import Approach, Bounds, Plan, RigPlan
from rig.protocol.residual import breaks
from rig.protocol.rig_file import SIMULATED
from rig.protocol.trust import Calibration, DynamicVerification

CALIBRATION: Final = "calibration"
"""A channel was never calibrated, or its calibration has expired or is yet to come."""
RANGE: Final = "range"
"""Loads of the protocol lie where the load cell was not calibrated."""
SOON: Final = "soon"
"""What holds today will not hold to the end of the test."""
VERIFICATION: Final = "verification"
"""It was not shown that the load is true in motion, at the frequency of the protocol."""
STOPS: Final = "stops"
"""It was not shown that the rig stops, or too long ago."""

SLOW_ENOUGH: Final = 1.0
"""Frequency [Hz] up to which a rig without a moving mass needs no verification in motion."""
_LONGEST_DAYS: Final = 36500
_ROUNDING: Final = 1e-9
LARGEST_DIFFERENCE: Final = 0.01
"""Difference in motion, as a fraction of the range, above which loads are in doubt."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """One doubt in words for a line, with what to do; `kind` is one of the words above."""

    kind: str
    text: str


def doubts(rig: RigPlan, today: Date) -> tuple[Doubt, ...]:
    """Return what is in doubt about a rig, whatever it is to do."""
    if rig.driver == SIMULATED:
        return ()
    return (
        *_of_calibrations(rig, today),
        *_of_verification(rig, 0.0, today),
        *_of_stops(rig, today),
    )


def plan_doubts(plan: Plan, today: Date) -> tuple[Doubt, ...]:
    """Return what is in doubt about a rig that is to carry out a protocol from today on."""
    rig = plan.rig
    if rig.driver == SIMULATED:
        return ()
    frequency = plan.loading.frequency if plan.loading and plan.cyclic else 0.0
    return (
        *_of_calibrations(rig, today),
        *_of_ranges(plan),
        *_of_verification(rig, frequency, today),
        *_of_stops(rig, today),
        *_of_the_end(plan, today),
    )


def _of_calibrations(rig: RigPlan, today: Date) -> Iterator[Doubt]:
    calibrations = rig.trust.calibrations
    missing = [f'"{c.name}"' for c in rig.channels if c.name not in calibrations]
    if missing:
        yield Doubt(
            CALIBRATION,
            f"there is no calibration of {', '.join(missing)}; have "
            f"{'it' if len(missing) == 1 else 'them'} calibrated, and write "
            "[channel.calibration] below its [[channel]]",
        )
    for name, made in calibrations.items():
        if made.date > today:
            yield Doubt(
                CALIBRATION,
                f"{_certified(name, made)} is of a day yet to come; correct its date, or the "
                "computer's",
            )
        elif made.until < today:
            yield Doubt(
                CALIBRATION,
                f"{_certified(name, made)} expired on {made.until}; have it calibrated anew",
            )


def _certified(name: str, made: Calibration) -> str:
    return f'calibration {made.certificate} of "{name}", of {made.date},'


def _of_ranges(plan: Plan) -> Iterator[Doubt]:
    needed = _loads(plan)
    for channel in plan.rig.channels:
        made = plan.rig.trust.calibrations.get(channel.name)
        if channel.unit != "N" or made is None or needed is None:
            continue
        low, high = made.used
        if made.points:
            low, high = max(low, made.points[0][0]), min(high, made.points[-1][0])
        if needed[0] < low * (1 - _ROUNDING) or needed[1] > high * (1 + _ROUNDING):
            yield Doubt(RANGE, _beyond(channel, (low, high), needed))


def _beyond(channel: Channel, calibrated: Bounds, needed: Bounds) -> str:
    loads = needed if needed[0] < needed[1] else needed[:1]
    return (
        f'"{channel.name}" is calibrated from {shown(channel.name, *calibrated)}, and the test '
        f"takes figures at {shown(channel.name, *loads)}; have it calibrated over all of that"
    )


def _loads(plan: Plan) -> Bounds | None:
    """Return lowest and highest load at which figures are taken, None where none is named."""
    stages = [stage for stage in plan.stages if not isinstance(stage, Approach)]
    loads = [goal for stage in stages if (goal := goal_of(stage)[0]) is not None]
    if any(map(breaks, stages)):
        # What it breaks at is not known: the limit is set above what is expected.
        limits = plan.limits.residual or plan.limits.fixed
        loads += [limits["load"][1]] if "load" in limits else []
    if plan.loading and plan.cyclic:
        return plan.loading.lower, max([*loads, plan.loading.upper])
    return (max(loads), max(loads)) if loads else None


def _of_verification(rig: RigPlan, frequency: float, today: Date) -> Iterator[Doubt]:
    made = rig.trust.verified
    mass = rig.trust.frame.moving_mass
    if made is not None and made.date > today:
        yield Doubt(
            VERIFICATION,
            f"the verification in motion is of {made.date}, a day yet to come; correct its date, "
            "or the computer's",
        )
    elif made is not None and made.difference > LARGEST_DIFFERENCE:
        yield Doubt(VERIFICATION, _too_far_off(made))
    if mass == 0 and frequency <= SLOW_ENOUGH:
        return
    remedy = "run dynamic-verification on a gauged dummy beam"
    if made is None:
        why = f"{mass:g} kg move between cell and specimen" if mass else f"{frequency:g} Hz is fast"
        yield Doubt(VERIFICATION, f"{why}, and the load was never verified in motion; {remedy}")
    elif frequency > made.frequency:
        yield Doubt(
            VERIFICATION,
            f"the load is verified in motion up to {made.frequency:g} Hz, and the test runs at "
            f"{frequency:g} Hz; {remedy} at that frequency",
        )


def _too_far_off(made: DynamicVerification) -> str:
    return (
        f"the verification in motion of {made.date} found the load range "
        f"{made.difference * 100:.3g} % off, more than {LARGEST_DIFFERENCE * 100:g} %; look for "
        "loose parts and the moving mass, and verify it anew"
    )


def _of_stops(rig: RigPlan, today: Date) -> Iterator[Doubt]:
    proven = rig.trust.proven
    remedy = "prove them on a dummy beam with nightrig devices --rig RIG --prove-stops"
    if proven is None:
        yield Doubt(STOPS, f"the stops of this rig were never proven; {remedy}")
    elif proven.date > today:
        yield Doubt(
            STOPS,
            f"the proof of stopping is of {proven.date}, a day yet to come; correct its date, or "
            "the computer's",
        )
    elif (age := (today - proven.date).days) > proven.renew_after:
        yield Doubt(
            STOPS,
            f"the stops of this rig were proven {age} days ago, on {proven.date} by {proven.by}, "
            f"and are to be proven every {proven.renew_after} days; {remedy}",
        )


def _of_the_end(plan: Plan, today: Date) -> Iterator[Doubt]:
    """Tell of what is in order today and will no longer be when the test is over."""
    end = today + timedelta(days=min(_LONGEST_DAYS, estimate(plan).duration_s // 86400))
    trust = plan.rig.trust
    for name, made in trust.calibrations.items():
        if made.date <= today <= made.until < end:
            yield Doubt(
                SOON,
                f"{_certified(name, made)} expires on {made.until}, and the test lasts to "
                f"{end} if the specimen does; have it calibrated before",
            )
    proven = trust.proven
    if proven is not None and proven.date <= today:
        due = proven.date + timedelta(days=proven.renew_after)
        if today <= due < end:
            yield Doubt(
                SOON,
                f"the stops of this rig are to be proven by {due}, and the test lasts to {end} if "
                "the specimen does; prove them before",
            )
