"""The book: turns what happens on the station into records, in the order it happened."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.control.full_rate import PIECE, Pieces, RecentSamples, wanted_cycles
from rig.control.looking import Judge, Nothing
from rig.control.states import may_follow
from rig.control.stream import Kept
from rig.protocol.plan import Plan
from rig.record.entries import FullRateRecord, StaticRecord
from rig.record.recorder import Recorder
from rig.samples import Cycles, SampleArray

AT_LEAST_KEPT: Final = 60.0  # [s] of samples at hand for evidence after a stop


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the test is: state, counted cycles of run-out, test time [s], last load [N]."""

    state: str
    cycles: int
    run_out: int
    test_s: float
    stiffness_share: float | None


class Book:
    """Writes rows, records and events; knows the test time and the newest values.

    `restart` gives the restart point as plain values; it is asked only when a commit is due.
    """

    def __init__(
        self,
        plan: Plan,
        recorder: Recorder,
        rate: float,
        restart: Callable[[Judge], Mapping[str, object]],
    ) -> None:
        self._plan = plan
        self._recorder = recorder
        self._rate = rate
        self._restart = restart
        self.on_progress: Callable[[Progress], None] | None = None
        self.sampled = tuple(c.name for c in plan.rig.sampled)
        frequency = plan.loading.frequency if plan.loading else 1.0
        keep = max(plan.full_rate.before_stop, AT_LEAST_KEPT, 2 * PIECE / frequency)
        self.recent = RecentSamples(keep, rate)
        cyclic = plan.cyclic
        self._run_out = cyclic.run_out if cyclic else 0
        self._pieces = Pieces(wanted_cycles(plan.full_rate, self._run_out))
        self._frame = 0
        self._wet_from: int | None = None
        self._wet_confirmed = False
        self.state = "idle"
        self.counted = 0
        self.latest_load = 0.0
        self.latest_deflection = 0.0
        self._stiffness = float("nan")
        self.baseline_stiffness: float | None = None

    @property
    def time(self) -> float:
        """Test time [s] of the newest kept frame."""
        return self._frame / self._rate

    @property
    def water_on(self) -> bool:
        """Tell whether the pump was switched on."""
        return self._wet_from is not None

    def kept(self, kept: Kept) -> None:
        """Take a block that has happened."""
        block = kept.block
        self._frame = block.end
        self.latest_load = _latest(block.of("load"), self.latest_load)
        self.latest_deflection = _latest(kept.deflection, self.latest_deflection)
        self.recent.add(block)
        if kept.look.built_up is not None and len(kept.look.built_up):
            self._recorder.build_up(kept.look.built_up)
        if kept.look.counted is not None and len(kept.look.counted):
            self._counted(kept.look.counted)
        if self.on_progress is not None:
            self.on_progress(self.progress())

    def settled(self, judge: Judge) -> None:
        """Commit with a fresh restart point if a commit is due."""
        if self._recorder.due:
            self._recorder.restart_point(self._restart(judge))
            self._recorder.commit()

    def progress(self) -> Progress:
        """Return how far the test is."""
        share = None
        if self.baseline_stiffness:
            share = self._stiffness / self.baseline_stiffness
        return Progress(self.state, self.counted, self._run_out, self.time, share)

    def _counted(self, rows: Cycles) -> None:
        self._recorder.cycles(rows)
        self.counted = int(rows["number"][-1])
        self._stiffness = float(rows["stiffness"][-1])
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

    def around_stop(self, stopped: int) -> None:
        """Keep the samples before and after a stop at full rate, as far as wanted and held."""
        before = round(self._plan.full_rate.before_stop * self._rate)
        self._full_rate("stop", self.counted, max(stopped - before, 0), self._frame)

    def event(self, kind: str, text: str) -> None:
        """Write an event at the present test time and count."""
        self._recorder.event(self.time, self.counted, kind, text)

    def enter(self, state: str, why: str = "") -> None:
        """Write that the conductor enters a state; ValueError where the table forbids it."""
        if not may_follow(self.state, state):
            raise ValueError(f"{state!r} may not follow {self.state!r} (rig/control/states.py)")
        self.state = state
        # The event commits at once; rows must not get ahead of what a resumption starts from.
        self._recorder.restart_point(self._restart(Nothing()))
        self._recorder.event(self.time, self.counted, "state", f"{state}: {why}" if why else state)

    def seated(self, frame: int) -> None:
        """Write that the specimen is seated."""
        self._recorder.event(
            frame / self._rate, self.counted, "seated", "three seating cycles done"
        )

    def water(self, frame: int, *, on: bool) -> None:
        """Write that the pump was switched; a wet stretch ends with its litres."""
        if on:
            self._wet_from, self._wet_confirmed = frame, False
            return
        if self._wet_from is None:
            return
        begun, ended = self._wet_from / self._rate, frame / self._rate
        flow = self._plan.spray.flow if self._plan.spray and self._wet_confirmed else 0.0
        self._recorder.spray(begun, ended, flow * (ended - begun) * 1e3, self._wet_confirmed)
        self._wet_from = None

    def water_confirmed(self) -> None:
        """Note that the flow confirmed the water that is on."""
        self._wet_confirmed = True

    def static(
        self,
        *,
        label: str,
        cycle: int,
        first_frame: int,
        group: int,
        stiffness: float,
        residual: float,
        samples: SampleArray,
    ) -> None:
        """Write a slow cycle. The re-opening load is NaN: nothing here estimates it."""
        self._recorder.static(
            StaticRecord(
                time=first_frame / self._rate,
                cycle=cycle,
                stiffness=stiffness,
                reopening_load=float("nan"),
                residual=residual,
                channels=(*self.sampled, "deflection"),
                rate=self._rate / group,
                first=first_frame,
                values=samples,
            )
        )
        text = f"{label}: stiffness {stiffness / 1e6:.2f} kN/mm, residual {residual * 1e3:.3f} mm"
        self.event("static", text)

    def slow(self, values: Mapping[str, float]) -> None:
        """Write the slow channels [SI]."""
        self._recorder.slow(self.time, values)

    def inspection(self, began: float, cycle: int, text: str) -> None:
        """Write an inspection that began at a test time [s] and ends now, and the interruption."""
        self._recorder.inspection(began, cycle, self.time - began, text)
        self._recorder.interruption(began, cycle, self.time - began, "inspection")


def _latest(signal: SampleArray, before: float) -> float:
    """Return the newest valid sample, the value before where none is."""
    if not np.isnan(signal[-1]):
        return float(signal[-1])
    valid = signal[~np.isnan(signal)]
    return float(valid[-1]) if len(valid) else before
