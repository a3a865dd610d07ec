"""The spray schedule as a pure machine: when water runs, and whether the flow confirmed it.

Times are frames of device time, counts are counted cycles. A period begins with the pump
switched on; `CONFIRM_AFTER` seconds later the measured flow must lie within tolerance, else the
pump is switched off and tried again. A period whose retries fail is missed; two missed in a row
call for what the protocol names.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from rig.protocol.plan import SpraySchedule

CONFIRM_AFTER: Final = 10.0  # [s]: pump run-up and pipe filling; common practice, no source
MISSED_IN_A_ROW: Final = 2


@dataclass(frozen=True, slots=True)
class Spray:
    """State of the schedule.

    `phase` is "waiting" (not begun), "dry", "unconfirmed", "wet" or "retry"; the next change is
    due at `frame` or at the counted cycle `cycle`. `period` is where the running period began
    (frames or cycles), `on_since` the frame at which the pump was switched on.
    """

    phase: str
    frame: int | None = None
    cycle: int | None = None
    period: int = 0
    on_since: int | None = None
    confirmed: bool = False
    retries: int = 0
    missed: int = 0

    @property
    def on(self) -> bool:
        """Tell whether the pump is switched on."""
        return self.on_since is not None


@dataclass(frozen=True, slots=True)
class SprayStep:
    """What to do now: switch the pump, write an event, call for what the protocol names."""

    state: Spray
    pump: bool | None = None
    event: str = ""
    missed_too_often: bool = False


def start_spray(schedule: SpraySchedule, rate: float) -> Spray:
    """Return the state before water begins."""
    if schedule.begin_unit == "cycles":
        return Spray("waiting", cycle=max(round(schedule.begin), 1))
    return Spray("waiting", frame=round(schedule.begin * rate))


def step(
    schedule: SpraySchedule, state: Spray, frame: int, cycle: int, rate: float, flow: float | None
) -> SprayStep:
    """Carry out the change that is due at `frame` [frames] and `cycle` [counted].

    `flow` is the measured flow [m3/s], None where nothing measures it.
    """
    if state.phase in ("waiting", "dry"):
        return _begin_period(schedule, state, frame, cycle, rate)
    if state.phase == "retry":
        return _switch_on(state, frame, rate, state.period)
    if state.phase == "unconfirmed":
        return _confirm(schedule, state, frame, cycle, rate, flow)
    return _end_period(schedule, state, frame, cycle, rate)


def _begin_period(
    schedule: SpraySchedule, state: Spray, frame: int, cycle: int, rate: float
) -> SprayStep:
    period = cycle if schedule.period_unit == "cycles" else frame
    return _switch_on(replace(state, retries=schedule.retries), frame, rate, period)


def _switch_on(state: Spray, frame: int, rate: float, period: int) -> SprayStep:
    switched = replace(
        state,
        phase="unconfirmed",
        frame=frame + round(CONFIRM_AFTER * rate),
        cycle=None,
        period=period,
        on_since=frame,
        confirmed=False,
    )
    return SprayStep(switched, pump=True)


def _confirm(
    schedule: SpraySchedule,
    state: Spray,
    frame: int,
    cycle: int,
    rate: float,
    flow: float | None,
) -> SprayStep:
    good = flow is None or abs(flow - schedule.flow) <= schedule.tolerance * schedule.flow
    if good:
        wet = replace(state, phase="wet", confirmed=True, missed=0)
        return SprayStep(_until_off(schedule, wet, rate))
    # flow is a number here: None counts as good, because nothing measures it
    measured = f"{(flow or 0.0) * 6e4:.2f} L/min instead of {schedule.flow * 6e4:.2f} L/min"
    if state.retries > 0:
        retry = replace(
            state,
            phase="retry",
            frame=frame + round(schedule.retry_every * rate),
            on_since=None,
            retries=state.retries - 1,
        )
        return SprayStep(retry, pump=False, event=f"flow not confirmed: {measured}; will try again")
    missed = replace(state, missed=state.missed + 1, on_since=None)
    return SprayStep(
        _until_next(schedule, missed, frame, cycle, rate),
        pump=False,
        event=f"spray period missed: {measured}",
        missed_too_often=missed.missed >= MISSED_IN_A_ROW,
    )


def _until_off(schedule: SpraySchedule, state: Spray, rate: float) -> Spray:
    if schedule.continuous:
        return replace(state, frame=None, cycle=None)
    if schedule.period_unit == "cycles":
        return replace(state, frame=None, cycle=state.period + round(schedule.on))
    # From the attempt that brought water: a retried period is as wet as any other.
    begun = state.period if state.on_since is None else state.on_since
    return replace(state, frame=begun + round(schedule.on * rate), cycle=None)


def _until_next(
    schedule: SpraySchedule, state: Spray, frame: int, cycle: int, rate: float
) -> Spray:
    """Return the dry state until the next period, counted from this period's beginning."""
    dry = replace(state, phase="dry", on_since=None)
    if schedule.period_unit == "cycles":
        every = max(round(schedule.every), 1)
        passed = max((cycle - state.period) // every, 0) + 1
        return replace(dry, cycle=state.period + passed * every, frame=None)
    every = max(round(schedule.every * rate), 1)
    passed = max((frame - state.period) // every, 0) + 1
    return replace(dry, frame=state.period + passed * every, cycle=None)


def paused(state: Spray, frame: int, cycle: int) -> Spray:
    """Return the state after the pump was switched off for a pause; a new period follows it."""
    by_count = state.cycle is not None
    return replace(
        state,
        phase="dry",
        on_since=None,
        frame=None if by_count else frame,
        cycle=cycle if by_count else None,
    )


def _end_period(
    schedule: SpraySchedule, state: Spray, frame: int, cycle: int, rate: float
) -> SprayStep:
    return SprayStep(_until_next(schedule, state, frame, cycle, rate), pump=False)
