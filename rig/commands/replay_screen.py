"""`nightrig replay --speed`: a recording on the live screen, as it went."""

from __future__ import annotations

import contextlib
import math
import os
import select
import sys
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from rig.clock import VIRTUAL_EPOCH, SystemClock
from rig.commands.leaving import Leaving
from rig.commands.screen import Shown
from rig.control.states import STATES
from rig.errors import InputError
from rig.guards.learned import combine
from rig.judging.arming import learned_of
from rig.monitor.curve import CurveKeeper
from rig.monitor.happened import event_words
from rig.monitor.playing import play
from rig.monitor.view import EVENTS, Playing, View, state_words
from rig.record.entries import Ending
from rig.record.status import WATER_OFF, WATER_ON, Armed, Coming, Status, WaterStatus
from rig.replay.moments import Moment, Moments

if TYPE_CHECKING:
    from rig.replay.recording import Columns, Recording

CYCLING: Final = ("build-up", "cycling")
STANDS_AFTER: Final = 5.0  # periods without a cycle, where no event tells what the rig does


def speed_of(text: str) -> float:
    """Return how many times as fast as recorded, infinite for "max". Raises InputError."""
    if text == "max":
        return math.inf
    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not (speed > 0 and math.isfinite(speed)):
        raise InputError(
            f'--speed: {text!r} is no speed; give "100" for 100 times as fast as recorded, or "max"'
        )
    return speed


def play_recording(recording: Recording, speed: float, shown: Shown) -> bool:
    """Show a recording as it went, so many times as fast; return whether it came to its end.

    Raises StorageError where it cannot be read.
    """
    with Leaving() as leaving:
        return play(
            Film(recording),
            speed,
            leaving.is_asked,
            pause=leaving.pause,
            keys=_keys,
            ascii_only=shown.plain,
            stream=shown.stream or sys.stdout,
        )


def _keys() -> str:
    """Return the letters pressed since the last call; none where nobody can press any."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        file = sys.stdin.fileno()
        # In the background reading would stop this program.
        if os.isatty(file) and os.tcgetpgrp(file) == os.getpgrp():
            ready, _, _ = select.select([file], [], [], 0)
            return os.read(file, 64).decode(errors="ignore") if ready else ""
    return ""


class Film:
    """A recording as the views of its moments."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self._moments = Moments(recording)
        self._keeper = CurveKeeper()
        self._rows = 0
        started = datetime.fromisoformat(recording.header.started_utc)
        self._started = started if started.tzinfo else started.replace(tzinfo=UTC)

    @property
    def end(self) -> float:
        """Test time of its end [s]."""
        return self._moments.end

    def next_event(self, time: float) -> float | None:
        """Return when [s] the first event after a test time comes, None after the last."""
        event = self._moments.next_event(time)
        return event.time if event is not None else None

    def view(self, time: float, playing: Playing) -> View:
        """Return what is shown at a test time [s]; it is asked forward only."""
        recording = self._recording
        moment = self._moments.at(time, self._take)
        ending = None
        if time >= self.end and recording.ended:
            cycles, outcome = recording.cycles, recording.outcome or ""
            ending = Ending(outcome, recording.why, cycles, self.end, recording.residual)
        return View(
            folder=recording.path,
            header=recording.header,
            status=self._status(moment),
            ending=ending,
            events=tuple(self._moments.events[max(moment.seen - EVENTS, 0) : moment.seen]),
            curve=self._keeper.curve(),
            now=SystemClock().utc(),
            alive=True,
            playing=playing,
        )

    def _take(self, part: Columns) -> None:
        self._keeper.add(self._rows, part["number"], part["stiffness"], part["flags"])
        self._rows += len(part["number"])

    def _status(self, moment: Moment) -> Status:
        """Return a status as the screen of then would have had it, as far as the record tells."""
        plan = self._moments.plan
        state, cause, why = self._state(moment)
        row = moment.built if state == "build-up" else moment.row
        newest: Mapping[str, float] = row if state in CYCLING else {}
        cycles = int(moment.row.get("number", 0))
        status = Status(
            stamp="",
            calendar=self._calendar(moment.time).isoformat(),
            time=moment.time,
            live=False,
            state=state,
            means=STATES.get(state, ""),
            cause=cause,
            why=why,
            since=moment.entered.time if moment.entered else math.nan,
            rig=plan.rig.name if plan else "",
            stage="",
            stage_number=0,
            stages=0,
            cycles=min(cycles, self._recording.cycles) if self._recording.ended else cycles,
            run_out=plan.cyclic.run_out if plan and plan.cyclic else 0,
            frequency=row.get("frequency", math.nan),
            load=math.nan,
            deflection=math.nan,
            load_max=newest.get("load_max", math.nan),
            load_min=newest.get("load_min", math.nan),
            deflection_max=newest.get("deflection_max", math.nan),
            deflection_min=newest.get("deflection_min", math.nan),
            stiffness=newest.get("stiffness", math.nan),
            coming=self._coming(moment),
            slow=moment.slow,
            oil_temperature=moment.slow.get("temperature_oil", math.nan),
            water=self._water(moment),
        )
        return self._planned(status, moment, newest) if plan is not None else status

    def _state(self, moment: Moment) -> tuple[str, str, str]:
        if moment.entered is not None:
            return state_words(moment.entered.text)
        newest = moment.row.get("time", -math.inf)
        since = (moment.time - newest) * moment.row.get("frequency", 0.0)
        goes = not self._moments.states and since <= STANDS_AFTER and newest > -math.inf
        return ("cycling" if goes else "", "", "")

    def _calendar(self, time: float) -> datetime:
        try:
            return self._started + timedelta(seconds=time)
        except OverflowError:
            return VIRTUAL_EPOCH

    def _planned(self, status: Status, moment: Moment, newest: Mapping[str, float]) -> Status:
        """Add what the protocol tells: targets, baseline, limits."""
        plan = self._moments.plan
        if plan is None:
            return status
        loading, loss, base = plan.loading, plan.failure.stiffness_loss, moment.baseline
        armed = dict(plan.limits.fixed)
        if base is not None and loading is not None and status.state == "cycling":
            armed = combine(armed, learned_of(plan, loading, base))
        limits = tuple(
            Armed(
                name,
                *bounds,
                newest.get(f"{name}_min", math.nan),
                newest.get(f"{name}_max", math.nan),
                learned=bounds != plan.limits.fixed.get(name),
            )
            for name, bounds in armed.items()
        )
        return replace(
            status,
            target_upper=loading.upper if loading else math.nan,
            target_lower=loading.lower if loading else math.nan,
            baseline=base.stiffness if base else math.nan,
            baseline_first=plan.baseline.first,
            baseline_last=plan.baseline.last,
            loss_warn=loss.warn or math.nan if loss else math.nan,
            loss_stop=loss.stop if loss else math.nan,
            limits=limits if status.state not in ("", "stopped") else (),
        )

    def _coming(self, moment: Moment) -> tuple[Coming, ...]:
        """Return the next event: where the key goes to."""
        event = self._moments.next_event(moment.time)
        if event is None:
            return ()
        return (Coming(f"event: {event_words(event)[0]}", event.time - moment.time),)

    def _water(self, moment: Moment) -> WaterStatus | None:
        plan = self._moments.plan
        if plan is None or plan.spray is None:
            return None
        after = self._moments.next_water(moment.time)
        coming = None
        if after is not None:
            coming = Coming(WATER_ON if after[0] else WATER_OFF, after[1] - moment.time)
        return WaterStatus(
            doing="on" if moment.wet else "off",
            on=moment.wet,
            confirmed=moment.wet,
            missed=0,
            flow=moment.slow.get("flow", math.nan),
            asked_flow=plan.spray.flow,
            tank=moment.slow.get("tank", math.nan),
            tank_lasts=math.nan,
            dry_for=moment.dry_for,
            coming=coming,
        )
