"""Cycling: from samples to counted, flagged, judged cycles, as one pure judge.

Build-up ends at the first cycle whose range reaches 95 % of the target; that cycle is the first
that counts, and from it on every cycle counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final

import numpy as np

from rig.acquire.extract import ExtractionSetup, ExtractionState, extract
from rig.criteria.findings import CriteriaSetup, CriteriaState, Finding
from rig.criteria.forecast import ForecastSetup, ForecastState, foresee
from rig.criteria.judge import judge
from rig.guards.health import (
    HealthFinding,
    HealthSetup,
    HealthState,
    check_health,
    check_spikes,
)
from rig.judging.correction import Correction, correct, correction_from
from rig.judging.looking import Decision, Look
from rig.judging.shadow import shadowed
from rig.judging.surroundings import Readings, with_air
from rig.samples import Cycles, Flag, SampleArray, SampleBlock

FULL_RANGE: Final = 0.95
OVERLOAD: Final = 1.02
SILENT_PERIODS: Final = 5  # without a finished cycle: feedback or actuator is not what it was


@dataclass(frozen=True, slots=True)
class CyclingSetup:
    """What stays the same through a cyclic stage. Loads [N], `period` [frames].

    `alert_only` are the keys of `[failure]` whose criteria tell what they would do, and do nothing.
    """

    extraction: ExtractionSetup
    criteria: CriteriaSetup
    health: HealthSetup
    upper: float
    target_range: float
    period: float
    alert_only: frozenset[str] = frozenset()
    forecast: ForecastSetup | None = None


@dataclass(frozen=True, slots=True)
class Cycling:
    """State of a cyclic stage.

    `counted` is the number of the last counted cycle, `built_up` the same for build-up cycles,
    `due` the counts at which something is scheduled, `wet` the stretches of frames [on, off)
    in which water ran (the last may be open), `air` the last readings of its temperature,
    `commanded` the frame of the last change of the load command, `falling` that the amplitude is
    on its way to zero (such cycles do not count), `ended` that a verdict has fallen. `restless` is
    by how many more of the build-up cycles took less than half a period: noise, not the rod.
    `quiet_since` is the frame at which the last cycle ended, `give_up_at` the build-up cycle by
    which the range must have been reached.
    """

    setup: CyclingSetup
    extraction: ExtractionState
    criteria: CriteriaState
    correction: Correction
    health: HealthState = field(default_factory=HealthState)
    forecast: ForecastState | None = None
    counted: int = 0
    built_up: int = 0
    counting: bool = False
    due: tuple[int, ...] = ()
    wet: tuple[tuple[int, int | None], ...] = ()
    always_wet: bool = False
    air: Readings = ()
    commanded: int | None = None
    falling: bool = False
    ended: bool = False
    quiet_since: int = 0
    give_up_at: int = 0
    restless: int = 0

    def look(self, block: SampleBlock, deflection: SampleArray) -> Look:
        """Extract, count, flag and judge the cycles that end in the block."""
        extraction, rows = extract(self.setup.extraction, self.extraction, block, deflection)
        state, doubts = replace(self, extraction=extraction)._doubts(block, rows)
        if not len(rows):
            return Look(state, doubts)
        built, counted, decisions = state._split(rows)
        restless = self.restless + (0 if self.falling else state._restless(built))
        state = replace(state, built_up=state.built_up + len(built), restless=restless)
        decisions = (*doubts, *decisions, *state._overdue(built))
        if len(counted):
            count = state.counted + len(counted)
            state = replace(state, counting=True, counted=count, restless=0)
            state, more = state._judge(counted, self.counted)
            decisions = (*decisions, *more)
        return Look(state, tuple(sorted(decisions, key=lambda d: d.frame)), built, counted)

    def _doubts(self, block: SampleBlock, rows: Cycles) -> tuple[Cycling, tuple[Decision, ...]]:
        """Look for a silent or flat feedback and for sensors in doubt."""
        if self.falling or self.ended:
            return self, ()
        decisions: list[Decision] = []
        allowed = round(SILENT_PERIODS * self.setup.period)
        before = np.concatenate(([self.quiet_since], rows.end))
        after = np.concatenate((rows.known, [block.end]))
        quiet = np.flatnonzero(after - before > allowed)
        if len(quiet):
            text = f"the load has not cycled for {SILENT_PERIODS} periods"
            decisions.append(Decision("silent", int(before[quiet[0]]) + allowed + 1, text))
        state = replace(self, quiet_since=int(before[-1]))
        if not self.counting:
            health, found = self._growing(block, rows)
            decisions += [Decision("health", f.frame + 1, f) for f in found]
            return replace(state, health=health), tuple(decisions)
        signals = dict(zip(block.channels, block.values, strict=True))
        health, found = check_health(self.setup.health, self.health, block.first, signals)
        decisions += [Decision("health", f.frame + 1, f) for f in found]
        flags = rows["flags"].astype(np.int64)
        spiked, loads = (flags & Flag.SPIKE) != 0, (flags & Flag.LOAD_SPIKE) != 0
        health, crowded = check_spikes(
            self.setup.health, health, rows.known[spiked].tolist(), loads[spiked].tolist()
        )
        decisions += [Decision("health", f.frame, f) for f in crowded]
        return replace(state, health=health), tuple(decisions)

    def _growing(
        self, block: SampleBlock, rows: Cycles
    ) -> tuple[HealthState, tuple[HealthFinding, ...]]:
        """Look at the feedback alone while the amplitude grows, once it is seen to cycle."""
        known = int(rows.known[0]) if len(rows) else block.end
        begin = max(min(self.quiet_since, known) - block.first, 0)
        name = self.setup.health.feedback
        if begin >= block.frames or name not in self.setup.health.ranges:
            return self.health, ()
        alone = replace(self.setup.health, ranges={name: self.setup.health.ranges[name]})
        signals = {name: block.of(name)[begin:]}
        return check_health(alone, self.health, block.first + begin, signals)

    def _restless(self, built: Cycles) -> int:
        """Return by how many more build-up cycles are too short to be the rod's than are not."""
        quick = int(np.sum(built.end - built.begin < self.setup.period / 2))
        return 2 * quick - len(built)

    def _overdue(self, built: Cycles) -> tuple[Decision, ...]:
        """Give up a build-up that does not reach its range."""
        late = self.built_up - self.give_up_at
        if self.falling or not len(built) or not 0 <= late < len(built):
            return ()
        text = f"{FULL_RANGE:.0%} of the load range not reached in build-up"
        if self.restless > self._restless(built.part(len(built) - late, len(built))):
            text += (
                ": the load is noisy and swings more than twice as often as it is commanded to; "
                "look at the cable and plug of the cell"
            )
        return (Decision("not reached", int(built.known[len(built) - 1 - late]), text),)

    def to_plain(self) -> dict[str, object]:
        """Return the state as plain values for a restart point."""
        return {
            "extraction": self.extraction.to_plain(),
            "criteria": self.criteria.to_plain(),
            "correction": asdict(self.correction),
            "health": self.health.to_plain(),
            "forecast": self.forecast.to_plain() if self.forecast else None,
            "counted": self.counted,
            "built_up": self.built_up,
            "counting": self.counting,
            "due": list(self.due),
            "wet": [list(stretch) for stretch in self.wet],
            "always_wet": self.always_wet,
            "air": [list(reading) for reading in self.air],
            "commanded": self.commanded,
            "quiet_since": self.quiet_since,
            "give_up_at": self.give_up_at,
        }

    def restored(self, plain: Mapping[str, Any]) -> Cycling:
        """Return the state with what `to_plain` kept of another; cycles are found anew.

        What a channel had shown for how long ends with an interruption.
        """
        criteria, health, correction = restored_parts(plain)
        # A version before this one kept none: it is begun anew.
        foreseen = plain.get("forecast")
        return replace(
            self,
            criteria=criteria,
            correction=correction,
            forecast=ForecastState.from_plain(foreseen) if foreseen else None,
            health=HealthState(spikes=health.spikes),
            counted=plain["counted"],
            built_up=plain["built_up"],
            # A version before this one kept none.
            air=tuple((time, value) for time, value in plain.get("air", ())),
        )

    def beside(self, wet: tuple[tuple[int, int | None], ...], air: Readings) -> Cycling:
        """Return the state with the stretches of water and the readings of the air so far."""
        air = air or self.air
        return self if (wet, air) == (self.wet, self.air) else replace(self, wet=wet, air=air)

    def caught_up(self, rows: Cycles) -> tuple[Cycling, tuple[Finding, ...]]:
        """Judge counted rows that a restart point does not know; nothing is corrected by them."""
        criteria, findings = judge(self.setup.criteria, self.criteria, with_air(rows, self.air))
        findings = shadowed(self.setup.alert_only, findings)
        forecast, foreseen = self._foreseen(rows)
        state = replace(self, criteria=criteria, forecast=forecast)
        return replace(state, counted=self.counted + len(rows)), (*findings, *foreseen)

    def _split(self, rows: Cycles) -> tuple[Cycles, Cycles, tuple[Decision, ...]]:
        """Part build-up cycles from counted ones, number and flag both."""
        at = 0
        decisions: tuple[Decision, ...] = ()
        if self.falling:
            at = len(rows)
        elif not self.counting:
            reached = np.flatnonzero(
                rows["load_max"] - rows["load_min"] >= FULL_RANGE * self.setup.target_range
            )
            at = int(reached[0]) if len(reached) else len(rows)
            if len(reached):
                decisions = (Decision("counting", int(rows.known[at]), self.counted + 1),)
        built = _numbered(rows.part(0, at), self.built_up)
        counted = _numbered(rows.part(at, len(rows)), self.counted)
        return (
            self._flagged(built, building=True),
            self._flagged(counted, building=False),
            decisions,
        )

    def _flagged(self, rows: Cycles, *, building: bool) -> Cycles:
        if not len(rows):
            return rows
        wet = np.full(len(rows), self.always_wet)
        for on, off in self.wet:
            wet |= (rows.end > on) & ((rows.begin < off) if off is not None else True)
        flags = rows["flags"].astype(np.uint16)
        spans = rows["load_max"] - rows["load_min"]
        flags |= _where(wet & bool(self.wet), Flag.SPRAY)
        flags |= _where(rows["load_max"] > OVERLOAD * self.setup.upper, Flag.OVERLOAD)
        if not building:
            flags |= _where(spans < FULL_RANGE * self.setup.target_range, Flag.SHORT)
        if self.commanded is not None:
            flags |= _where(
                (rows.begin <= self.commanded) & (rows.end > self.commanded), Flag.CORRECTED
            )
        if self.ended:
            flags |= np.uint16(Flag.AFTER_END)
        return rows.with_columns(wet=wet.astype(np.uint8), flags=flags)

    def _judge(self, rows: Cycles, before: int) -> tuple[Cycling, tuple[Decision, ...]]:
        """Return the successor and what the counted rows ask for."""
        if self.ended:
            return self, ()
        decisions = []
        criteria, findings = judge(self.setup.criteria, self.criteria, with_air(rows, self.air))
        findings = shadowed(self.setup.alert_only, findings)
        forecast, foreseen = self._foreseen(rows)
        decisions += [Decision("finding", f.frame, f) for f in (*findings, *foreseen)]
        for count in self.due:
            if before < count <= before + len(rows):
                decisions.append(Decision("count", int(rows.known[count - before - 1]), count))
        correction, row, change = correct(self.correction, rows)
        if change is not None and row is not None:
            decisions.append(Decision("correct", int(rows.known[row]), change))
        due = tuple(c for c in self.due if c > before + len(rows))
        state = replace(self, criteria=criteria, forecast=forecast, correction=correction)
        return replace(state, due=due), tuple(decisions)

    def _foreseen(self, rows: Cycles) -> tuple[ForecastState | None, tuple[Finding, ...]]:
        """Return where the forecast stands after counted rows, and what is to be told of it."""
        if self.setup.forecast is None:
            return None, ()
        return foresee(self.setup.forecast, self.forecast, rows)


def _numbered(rows: Cycles, last: int) -> Cycles:
    return rows.with_columns(number=np.arange(last + 1, last + 1 + len(rows), dtype=np.int64))


def _where(
    condition: np.ndarray[tuple[int], np.dtype[np.bool_]], flag: Flag
) -> np.ndarray[tuple[int], np.dtype[np.uint16]]:
    return np.where(condition, np.uint16(flag), np.uint16(0))


def restored_parts(plain: Mapping[str, Any]) -> tuple[CriteriaState, HealthState, Correction]:
    """Return what `Cycling.to_plain` kept of its parts. Raises KeyError, TypeError, ValueError."""
    return (
        CriteriaState.from_plain(plain["criteria"]),
        HealthState.from_plain(plain["health"]),
        correction_from(plain["correction"]),
    )
