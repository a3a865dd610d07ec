"""The spray schedule as a pure machine: when water runs, and whether the flow confirmed it.

Times are frames of device time, counts are counted cycles; a *place* is whichever of them the
schedule's periods are in. A period begins with the pump switched on; `CONFIRM_AFTER` seconds
later, every `CHECK_EVERY` seconds from then on and when the water ends the measured flow must
lie within tolerance. A flow that does not ends the attempt: pump off, and on again after the
schedule's wait, until the retries are used up and the period is missed; two missed in a row
call for what the protocol names.

What a period has been given counts: an attempt after water was lost lasts as long as is lacking
of `on`, one after a beginning without flow has its full `on`. No water lasts beyond the beginning
of the next period, which then goes on without the pump being switched. Retries, and that a
period before was missed, are forgotten once the flow has been good for longer than all tries of
a period take, or when the period has had all its water: water that comes and goes still calls.
Under a continuous schedule a missed period is followed by the next after one wait between tries.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from rig.protocol.plan import SpraySchedule

CONFIRM_AFTER: Final = 10.0  # [s]: pump run-up and pipe filling; common practice, no source
CHECK_EVERY: Final = 30.0  # [s] between looks at the flow while wet; common practice, no source
MISSED_IN_A_ROW: Final = 2


@dataclass(frozen=True, slots=True)
class Spray:
    """State of the schedule.

    `phase` is "waiting" (not begun), "dry", "unconfirmed", "wet" or "retry"; the next change or
    look at the flow is due at `frame` or at the counted cycle `cycle`, whichever comes first.
    `period`, `on_at`, `good_at` and `until` are places: where the running period and attempt
    began, where the flow was last good, where the water ends (None: not by itself); `given` is
    what earlier attempts of the period gave, in the same unit. `on_since` is the frame at which
    the pump was switched on, None while it is off. `missed` counts missed periods in a row.
    """

    phase: str
    frame: int | None = None
    cycle: int | None = None
    period: int = 0
    on_since: int | None = None
    confirmed: bool = False
    retries: int = 0
    missed: int = 0
    missed_in_all: int = 0
    on_at: int = 0
    good_at: int = 0
    given: int = 0
    until: int | None = None

    @property
    def on(self) -> bool:
        """Tell whether the pump is switched on."""
        return self.on_since is not None


@dataclass(frozen=True, slots=True)
class SprayStep:
    """What to do now: switch the pump, write an event, call for what the protocol names.

    `good` tells how the flow was judged, None where nothing was to be judged.
    """

    state: Spray
    pump: bool | None = None
    event: str = ""
    missed_too_often: bool = False
    good: bool | None = None


def start_spray(schedule: SpraySchedule, rate: float) -> Spray:
    """Return the state before water begins."""
    if schedule.begin_unit == "cycles":
        return Spray("waiting", cycle=max(round(schedule.begin), 1))
    return Spray("waiting", frame=round(schedule.begin * rate))


def step(
    schedule: SpraySchedule, state: Spray, frame: int, cycle: int, rate: float, flow: float | None
) -> SprayStep:
    """Carry out what is due at `frame` [frames] and `cycle` [counted].

    `flow` is the measured flow [m3/s], None where nothing measures it: that counts as good. It
    is looked at only while the pump is on.
    """
    place = _place(schedule, frame, cycle)
    if state.phase in ("waiting", "dry"):
        begun = replace(state, period=place, given=0, retries=schedule.retries)
        return _switch_on(begun, frame, place, rate)
    if state.phase == "retry":
        return _switch_on(state, frame, place, rate)
    if not within_tolerance(schedule, flow):
        return _unconfirmed(schedule, state, frame, place, rate, flow or 0.0)
    if state.phase == "wet" and state.until is not None and place >= state.until:
        return _end_period(schedule, state, state.until, frame, place, rate)
    return SprayStep(_wet(schedule, state, frame, place, rate), good=True)


def within_tolerance(schedule: SpraySchedule, flow: float | None) -> bool:
    """Tell whether a measured flow [m3/s] is the schedule's; None (not measured) is."""
    return flow is None or abs(flow - schedule.flow) <= schedule.tolerance * schedule.flow


def tries_time(schedule: SpraySchedule) -> float:
    """Return how long [s] a period without flow is tried before it is missed."""
    return schedule.retries * (CONFIRM_AFTER + schedule.retry_every) + CONFIRM_AFTER


def paused(schedule: SpraySchedule, state: Spray, frame: int, cycle: int) -> Spray:
    """Return the state after the pump was switched off for a pause; a new period is due."""
    place = cycle if schedule.period_unit == "cycles" else frame
    return _dry_until(schedule, state, place)


def later(schedule: SpraySchedule, state: Spray, frames: int) -> Spray:
    """Return a dry state so many frames later, at the same place in its period."""
    moved = replace(state, frame=None if state.frame is None else state.frame + frames)
    if schedule.period_unit == "cycles":
        return moved
    return replace(
        moved,
        period=state.period + frames,
        on_at=state.on_at + frames,
        good_at=state.good_at + frames,
    )


def rewetting(schedule: SpraySchedule) -> SpraySchedule:
    """Return the schedule for re-wetting: the same water without an end."""
    return replace(schedule, continuous=True, period_unit="s")


def new_period(schedule: SpraySchedule, state: Spray, frame: int, cycle: int, rate: float) -> Spray:
    """Return the state in which a new period begins now, the pump staying as it is."""
    if not state.on:
        return paused(schedule, state, frame, cycle)
    place = _place(schedule, frame, cycle)
    begun = replace(state, period=place, on_at=place, given=0, retries=schedule.retries)
    if state.phase == "wet":
        return _wet(schedule, begun, frame, place, rate)
    return replace(begun, cycle=None)


def _place(schedule: SpraySchedule, frame: int, cycle: int) -> int:
    return cycle if schedule.period_unit == "cycles" else frame


def _lengths(schedule: SpraySchedule, rate: float) -> tuple[int, int]:
    """Return `on` and `every` as lengths in places."""
    if schedule.continuous:
        return 0, max(round(schedule.retry_every * rate), 1)
    scale = 1.0 if schedule.period_unit == "cycles" else rate
    return round(schedule.on * scale), max(round(schedule.every * scale), 1)


def _next_start(period: int, every: int, place: int) -> int:
    """Return the first beginning of a later period at or after a place."""
    return period + max(-((period - place) // every), 1) * every


def _switch_on(state: Spray, frame: int, place: int, rate: float) -> SprayStep:
    switched = replace(
        state,
        phase="unconfirmed",
        frame=frame + round(CONFIRM_AFTER * rate),
        cycle=None,
        on_since=frame,
        on_at=place,
        confirmed=False,
        until=None,
    )
    return SprayStep(switched, pump=True)


def _wet(schedule: SpraySchedule, state: Spray, frame: int, place: int, rate: float) -> Spray:
    """Return the state after a good flow: the next look, or the end of the water."""
    on, every = _lengths(schedule, rate)
    until = None
    if not schedule.continuous:
        lasting = _next_start(state.period, every, state.on_at + 1)
        until = min(state.on_at + on - state.given, lasting)
    by_count = schedule.period_unit == "cycles"
    check = frame + round(CHECK_EVERY * rate)
    wet = replace(
        state,
        phase="wet",
        confirmed=True,
        good_at=place,
        until=until,
        frame=check if by_count or until is None else min(check, until),
        cycle=until if by_count else None,
    )
    if state.on_since is not None and frame - state.on_since > tries_time(schedule) * rate:
        return replace(wet, retries=schedule.retries, missed=0)
    return wet


def _unconfirmed(
    schedule: SpraySchedule, state: Spray, frame: int, place: int, rate: float, flow: float
) -> SprayStep:
    """End an attempt whose flow is not the schedule's: try again, or miss the period."""
    measured = f"{flow * 6e4:.2f} L/min instead of {schedule.flow * 6e4:.2f} L/min"
    given = state.given + (state.good_at - state.on_at if state.confirmed else 0)
    off = replace(state, on_since=None, confirmed=False, until=None, cycle=None, given=given)
    if state.retries > 0:
        again = frame + round(schedule.retry_every * rate)
        retry = replace(off, phase="retry", frame=again, retries=state.retries - 1)
        what = "lost" if state.confirmed else "not confirmed"
        text = f"flow {what}: {measured}; will try again"
        return SprayStep(retry, pump=False, event=text, good=False)
    _, every = _lengths(schedule, rate)
    following = _next_start(place if schedule.continuous else state.period, every, place)
    missed = replace(off, missed=state.missed + 1, missed_in_all=state.missed_in_all + 1)
    return SprayStep(
        _dry_until(schedule, missed, following),
        pump=False,
        event=f"spray period missed: {measured}",
        missed_too_often=missed.missed >= MISSED_IN_A_ROW,
        good=False,
    )


def _end_period(
    schedule: SpraySchedule, state: Spray, ended: int, frame: int, place: int, rate: float
) -> SprayStep:
    """End a period that has had its water, or go over to the next where that begins already."""
    _, every = _lengths(schedule, rate)
    following = _next_start(state.period, every, ended)
    done = replace(state, missed=0, given=0, retries=schedule.retries)
    if following <= place:
        begun = replace(done, period=following, on_at=following)
        return SprayStep(_wet(schedule, begun, frame, place, rate), good=True)
    return SprayStep(_dry_until(schedule, done, following), pump=False, good=True)


def _dry_until(schedule: SpraySchedule, state: Spray, place: int) -> Spray:
    """Return the dry state until a place of the schedule, in its own unit."""
    by_count = schedule.period_unit == "cycles"
    return replace(
        state,
        phase="dry",
        on_since=None,
        confirmed=False,
        until=None,
        frame=None if by_count else place,
        cycle=place if by_count else None,
    )
