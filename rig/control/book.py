"""The book: turns what happens on the station into records, in the order it happened."""

from __future__ import annotations

import asyncio
import contextlib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.control.crack_log import CrackGiven, CrackLog
from rig.control.full_rate import PIECE, Pieces, RecentSamples, wanted_cycles
from rig.control.states import PAUSE_CAUSES, PEOPLE_NEAR, may_follow
from rig.control.stream import Kept
from rig.control.taken_up import TakenUp
from rig.errors import StorageError
from rig.judging.looking import Judge, Nothing, averaged_in
from rig.protocol.plan import Plan
from rig.record.crack_words import numbered
from rig.record.cracks import CrackEntry
from rig.record.entries import FullRateRecord, StaticRecord
from rig.record.interface import RunRecord
from rig.record.status import Status
from rig.samples import Cycles, SampleArray

PIECE_BYTES: Final = 4_000_000
"""Size of the pieces in which the samples about a stop are handed to the recorder."""
RAMP_PIECE: Final = 600
"""Means of a ramp's samples (a minute of them) that are handed to the recorder together."""
ENDS_OF_WAYS: Final = frozenset({"at rest", "unloaded", "stopped"})
"""Causes of the table that only say that a way to rest has ended."""
PATIENCE: Final = 10.0  # [s] for the recorder to take one of them
AT_LEAST_KEPT: Final = 60.0  # [s] of samples at hand for evidence after a stop


@dataclass(frozen=True, slots=True)
class Entered:
    """When a state was entered: test time [s], on which cause of the table, and why."""

    time: float
    cause: str
    why: str

    def then(self, time: float, cause: str, why: str) -> Entered:
        """Return the next one; a state that only ends a way keeps the reason it began for."""
        if cause in ENDS_OF_WAYS:
            return Entered(time, self.cause, self.why)
        if cause == "wait over" and self.cause in PAUSE_CAUSES:
            why = f"{why}; it stood because: {self.why}"
        return Entered(time, cause, why)


class Book:
    """Writes rows, records and events; knows the test time and the newest values.

    `path` holds the steps through the state table so far: (state, cause, following state).
    `restart` gives the restart point as plain values, `status` what people are shown; both are
    asked when a commit is due and when a state is entered. `newest` is the newest
    whole cycle, `entered` when the present state was entered [s], on which cause and why.
    `interruptions` are those under way: test time [s], last counted cycle, why.
    """

    def __init__(
        self,
        plan: Plan,
        recorder: RunRecord,
        rate: float,
        restart: Callable[[Judge], Mapping[str, object]],
        status: Callable[[], Status | None],
        taken: TakenUp | None = None,
    ) -> None:
        self._plan = plan
        self._recorder = recorder
        self._rate = rate
        self._restart = restart
        self._status = status
        self.sampled = tuple(c.name for c in plan.rig.sampled)
        frequency = plan.loading.frequency if plan.loading else 1.0
        keep = max(plan.full_rate.before_stop, AT_LEAST_KEPT, 2 * PIECE / frequency)
        self.recent = RecentSamples(keep, rate)
        cyclic = plan.cyclic
        last = cyclic.run_out if cyclic else 0
        self.counted = taken.counted if taken else 0
        self._stood = self.counted
        self._pieces = Pieces(wanted_cycles(plan.full_rate, last, self.counted))
        self._frame = taken.begin if taken else 0
        self._ramp_kept = 0
        self.interruptions: list[tuple[float, int, str]] = []
        self.state = "idle"
        self.entered = Entered(self.time, "", "")
        self.newest: Cycles | None = None
        self.path: list[tuple[str, str, str]] = []
        self.latest_load = 0.0
        self.latest_deflection = 0.0
        self.baseline_stiffness: float | None = None
        self.cracks = CrackLog(plan.specimen.section, taken.cracks if taken else ())
        if taken is not None:
            self.baseline_stiffness = taken.point["baseline_stiffness"]

    @property
    def time(self) -> float:
        """Test time [s] of the newest kept frame."""
        return self._frame / self._rate

    def kept(self, kept: Kept) -> None:
        """Take a block that has happened."""
        block = kept.block
        self._frame = block.end
        self.latest_load = _latest(block.of("load"), self.latest_load)
        self.latest_deflection = _latest(kept.deflection, self.latest_deflection)
        self.recent.add(block)
        if kept.look.built_up is not None and len(kept.look.built_up):
            self.newest = kept.look.built_up
            self._recorder.build_up(self.newest)
        if kept.look.counted is not None and len(kept.look.counted):
            self._counted(kept.look.counted)

    def settled(self, judge: Judge) -> None:
        """Commit with a fresh restart point if a commit is due."""
        self._keep_ramp(judge)
        if self._recorder.due:
            self._recorder.restart_point(self._restart(judge))
            self._show()
            self._recorder.commit()

    def _keep_ramp(self, judge: Judge) -> None:
        """Keep each minute of a ramp: it is done once, and a crash must not cost what it showed."""
        averaged = averaged_in(judge) if self.state == "ramp" else None
        if averaged is None:
            self._ramp_kept = 0
            return
        samples, piece = averaged.samples(), RAMP_PIECE
        while samples.shape[1] - self._ramp_kept >= piece:
            begin = self._ramp_kept
            self._ramp_kept += piece
            self._recorder.full_rate(
                FullRateRecord(
                    "ramp",
                    self.counted,
                    averaged.origin + begin * averaged.group,
                    self._rate / averaged.group,
                    (*self.sampled, "deflection"),
                    samples[:, begin : begin + piece],
                )
            )

    def _show(self) -> None:
        """Hand over what people are shown, with the rows recorded so far."""
        status = self._status()
        if status is not None:
            self._recorder.status(status)

    def _counted(self, rows: Cycles) -> None:
        self._recorder.cycles(rows)
        self.newest = rows
        self.counted = int(rows["number"][-1])
        for cycle, begin, end in self._pieces.complete(rows):
            self._full_rate("cycles", cycle, begin, end)

    def interrupted(self) -> None:
        """Note that cycling stops: an unfinished piece of full-rate cycles ends here."""
        piece = self._pieces.interrupted()
        if piece is not None:
            self._full_rate("cycles", *piece)

    def _full_rate(self, label: str, cycle: int, begin: int, end: int) -> None:
        first, values = self.recent.cut(begin, end)
        if values.size:
            self._recorder.full_rate(
                FullRateRecord(label, cycle, first, self._rate, self.sampled, values)
            )

    async def around_stop(self, stopped: int) -> None:
        """Keep the samples before and after a stop at full rate, as far as wanted and held.

        In pieces, and at the pace of the recorder: nothing moves any more, and a long stretch
        at a high rate must not fill the recorder's memory at once.
        """
        seconds = self._plan.full_rate.before_stop
        if self._recorder.trouble:
            seconds = min(seconds, AT_LEAST_KEPT)  # for so much room is left
        before = round(seconds * self._rate)
        begin, piece = max(stopped - before, 0), PIECE_BYTES // (4 * len(self.sampled))
        for first in range(begin, self._frame, piece):
            self._full_rate("stop", self.counted, first, min(first + piece, self._frame))
            # A recorder whose disk is in trouble tells that by itself; here it is only waited for.
            with contextlib.suppress(TimeoutError, StorageError):
                async with asyncio.timeout(PATIENCE):
                    await self._recorder.synced()

    def event(self, kind: str, text: str) -> None:
        """Write an event at the present test time and count."""
        self._recorder.event(self.time, self.counted, kind, text)

    def enter(self, state: str, cause: str, why: str = "") -> None:
        """Write that the conductor enters a state; ValueError where the table forbids it."""
        if not may_follow(self.state, cause, state):
            raise ValueError(
                f"{state!r} may not follow {self.state!r} on {cause!r} (rig/control/states.py)"
            )
        self.path.append((self.state, cause, state))
        self.state = state
        if state in PEOPLE_NEAR:
            self._stood = self.counted
        self.entered = self.entered.then(self.time, cause, why)
        # The event commits at once; rows must not get ahead of what a resumption starts from.
        self._recorder.restart_point(self._restart(Nothing()))
        self._show()
        text = f"{state}, {cause}: {why}" if why else f"{state}, {cause}"
        self._recorder.event(self.time, self.counted, "state", text)

    @property
    def people_near(self) -> bool:
        """Tell whether people may stand at the rig in this state: nothing moves in it."""
        return self.state in PEOPLE_NEAR

    def seated(self, frame: int) -> None:
        """Write that the specimen is seated."""
        self._recorder.event(
            frame / self._rate, self.counted, "seated", "three seating cycles done"
        )

    def spray(self, time_on: float, time_off: float, litres: float, *, confirmed: bool) -> None:
        """Write a wet stretch: test times [s], litres given, whether the flow confirmed them."""
        self._recorder.spray(time_on, time_off, litres, confirmed)

    def zero(self, channel: str, value: float, text: str) -> None:
        """Write the reading of an unloaded channel [SI]."""
        self._recorder.zero(self.time, channel, value, text)

    def offset(self, channel: str, value: float, text: str) -> None:
        """Write that a number is added to a channel that read `value` [SI], its sensor moved."""
        # The event commits at once: a test that is taken up must know what it tells.
        self._recorder.restart_point(self._restart(Nothing()))
        self.zero(channel, value, f"moved: {text}")
        self.event("offset", text)

    def static(
        self,
        *,
        label: str,
        cycle: int,
        first_frame: int,
        group: int,
        stiffness: float,
        reopening_load: float,
        residual: float,
        told: str,
        samples: SampleArray,
    ) -> None:
        """Write a slow cycle; NaN is what it does not show, `told` goes on with its event."""
        self._recorder.static(
            StaticRecord(
                time=first_frame / self._rate,
                cycle=cycle,
                stiffness=stiffness,
                reopening_load=reopening_load,
                residual=residual,
                channels=(*self.sampled, "deflection"),
                rate=self._rate / group,
                first=first_frame,
                values=samples,
            )
        )
        text = f"{label}: done"
        if math.isfinite(stiffness):
            text = f"{label}: stiffness {stiffness / 1e6:.2f} kN/mm"
            if math.isfinite(residual):
                text = f"{text}, residual {residual * 1e3:z.3f} mm"
        self.event("static", f"{text}; {told}" if told else text)

    def slow(self, values: Mapping[str, float]) -> None:
        """Write the slow channels [SI]."""
        self._recorder.slow(self.time, values)

    def inspection(self, began: float, cycle: int, text: str) -> None:
        """Write an inspection that began at a test time [s] and ends now."""
        self._recorder.inspection(began, cycle, self.time - began, text)

    def crack(self, given: CrackGiven, by: str, text: str) -> str:
        """Write what somebody gives of a crack; return what is to be said of it.

        What is given while it moves was read when it stood last: nobody is near it now. Raises
        InputError for what cannot be; nothing is written then.
        """
        counted = self.counted if self.people_near else self._stood
        new = CrackEntry(0, self.time, counted, "", by=by, text=text)
        taken = self.cracks.add(given, new)
        self._recorder.crack(taken.entry)
        said = numbered(taken.entry)
        if taken.entry.cycle != self.counted:
            said = f"{said}; as read at cycle {taken.entry.cycle:,}"
        self.event("crack", f"{by}: {said}" if by else said)
        return f"{said}; {taken.told}" if taken.told else said

    def interruption_begins(self, why: str) -> None:
        """Note that the loading is interrupted from now on; a pause may lie in an inspection."""
        self.interruptions.append((self.time, self.counted, why))

    def cut_off(self, taken: TakenUp, alone: str) -> None:
        """Write the interruptions that were under way when a test was cut off; begin that one.

        `alone` says what the rig did meanwhile.
        """
        for began, cycle, why in taken.point["interruptions"]:
            self._recorder.interruption(began, cycle, taken.ended - began, f"{why}; cut off")
        why = f"{taken.why}; {alone}" if alone else taken.why
        self.interruptions = [(taken.ended, taken.counted, why)]

    def interruption_ends(self, how: str, *, inner: bool = False) -> None:
        """Write the interruptions under way, how they were spent and who ended them.

        With `inner` only the last one ends: the inspection around it goes on.
        """
        ended = self.interruptions[-1:] if inner else self.interruptions[:]
        self.interruptions = self.interruptions[: len(self.interruptions) - len(ended)]
        for began, cycle, why in ended:
            self._recorder.interruption(began, cycle, self.time - began, f"{why}; {how}")


def _latest(signal: SampleArray, before: float) -> float:
    """Return the newest valid sample, the value before where none is."""
    if not np.isnan(signal[-1]):
        return float(signal[-1])
    valid = signal[~np.isnan(signal)]
    return float(valid[-1]) if len(valid) else before
