"""Kept samples through today's extraction, limits and sensor health.

Limits hold wherever the test was under way, those learned while it cycled; health and silence
are looked at while it cycled. An imported recording has no states: all of it cycles, and its
cycles are judged here as well, by the judge that judges a rig.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import ExtractionState, begin
from rig.criteria.findings import CriteriaSetup, CriteriaState, Finding, Settled
from rig.guards.health import HealthFinding
from rig.guards.limits import Trip
from rig.judging.arming import cycling_setup
from rig.judging.correction import start_correction
from rig.judging.cycling import Cycling
from rig.judging.looking import Decision, Look
from rig.protocol.plan import Plan
from rig.replay.ends import DOUBT, ENDING, FINDING, TRIP, End, Noted, end_of, found_of
from rig.replay.found import Found
from rig.replay.held import Evidence, Held, bounds_of
from rig.replay.stretches import Piece, part_of
from rig.replay.timeline import FOR_EVER, UNWATCHED, Timeline
from rig.samples import Cycles, SampleArray, SampleBlock


@dataclass(frozen=True, slots=True)
class OwnCycles:
    """That samples tell the cycles: where extraction begins, and from which frame they count."""

    start: ExtractionState
    counts_from: int


@dataclass(frozen=True, slots=True)
class SampleSetup:
    """What samples at `rate` [Hz] are held against, up to frame `until`.

    `settled` is the baseline that rows have told, and the tick from which limits are learned
    from it; `cycle_at` tells the counted cycle at a tick. With `own` neither is asked for:
    cycles are judged here.
    """

    plan: Plan
    rate: float
    timeline: Timeline
    until: int = FOR_EVER
    settled: tuple[int, Settled] | None = None
    cycle_at: Callable[[int], int] | None = None
    own: OwnCycles | None = None


@dataclass(slots=True)
class Seen:
    """What was seen: what ends nothing, the end, and the cycles found in each stretch."""

    noted: list[Noted] = field(default_factory=list)
    end: End | None = None
    counted: int = 0
    stretches: list[list[Cycles]] = field(default_factory=list)


class Watch:
    """Looks at one piece of samples after the other; `seen` is what came of it.

    A block is cut at the tick at which something in it is acted upon, and looked at again, as
    the stream of a rig does it: what is found does not depend on how samples were cut.
    """

    def __init__(self, setup: SampleSetup) -> None:
        self._setup = setup
        self._line = setup.timeline
        self._settled = setup.settled
        self._cycling: Cycling | None = None
        self._held: Held | None = None
        self._evidence = Evidence(setup.plan, setup.rate)
        self._tripped: tuple[Trip, int] | None = None
        self.seen = Seen()

    def take(self, piece: Piece) -> None:
        """Look at the next piece; of what lies behind an end nothing is looked at."""
        if piece.new:
            self._name()
            self._evidence.forget()
            self._cycling = self._held = None
        if self.seen.end is not None:
            return
        self._evidence.add(piece.block)
        block = part_of(piece.block, piece.block.first, self._setup.until)
        while block.frames and self._tripped is None and self.seen.end is None:
            same = part_of(block, block.first, self._next_change(block.first))
            block = part_of(block, self._look(same), block.end)
        if self._evidence.complete:
            self._name()

    def past(self, frame: int) -> bool:
        """Tell whether nothing from a frame on is looked at."""
        return self.seen.end is not None or (self._tripped is None and frame >= self._setup.until)

    def close(self) -> Seen:
        """Return what was seen; no more samples come."""
        self._name()
        return self.seen

    def _next_change(self, frame: int) -> int:
        """Return the frame up to which the state, and what it arms, stays the same."""
        own = self._setup.own
        changes = [self._line.span(frame).end, self._line.end, FOR_EVER]
        changes += [own.counts_from] if own is not None else []
        changes += [self._settled[0]] if self._settled is not None else []
        return min(c for c in changes if c > frame)

    def _look(self, block: SampleBlock) -> int:
        """Look at a block in which nothing changes by itself; return the frame it counts up to."""
        state = self._line.span(block.first).state
        if state in UNWATCHED or block.first >= self._line.end:
            self._cycling = self._held = None
            return block.end
        self._prepare(block, cycles=state == "cycling" and self._setup.plan.cyclic is not None)
        held, look, trip = self._looked(block)
        tick = self._line.at_tick(self._acted_upon(look, trip))
        if block.first < tick < block.end:
            block = part_of(block, block.first, tick)
            held, look, trip = self._looked(block)
        self._held = held
        if look is not None and isinstance(look.judge, Cycling):
            self._cycling = look.judge
            self._found(look.counted)
        self._decide(self._line.at_tick(block.end), look, trip)
        return block.end

    def _prepare(self, block: SampleBlock, *, cycles: bool) -> None:
        """Arm what holds from the beginning of a block on; what is armed anew counts anew."""
        plan = self._setup.plan
        learned = cycles and self._settled is not None and block.first >= self._settled[0]
        bounds = bounds_of(plan, self._settled[1] if learned and self._settled else None)
        if self._held is None or bounds != self._held.bounds:
            self._held = Held(bounds, self._setup.rate, plan.limits.persist)
        if not cycles:
            self._cycling = None
        elif self._cycling is None:
            self._cycling = self._fresh(block.first)
            self.seen.stretches.append([])
        own = self._setup.own
        if own is not None and self._cycling is not None:
            counts = block.first >= own.counts_from
            self._cycling = replace(self._cycling, counting=counts, falling=not counts)

    def _fresh(self, at: int) -> Cycling:
        """Return the judge of a stretch of cycles that begins at a frame."""
        plan, own = self._setup.plan, self._setup.own
        cyclic, loading = plan.cyclic, plan.loading
        if cyclic is None or loading is None:
            raise ValueError("cycles need a cyclic stage and [loading]")
        setup = cycling_setup(plan, cyclic, loading, self._setup.rate)
        if own is None:
            # Rows are judged by themselves: here nothing may be found twice.
            unarmed = CriteriaSetup(loading.upper, loading.lower, FOR_EVER, FOR_EVER)
            setup = replace(setup, criteria=unarmed)
        return Cycling(
            setup=setup,
            extraction=own.start if own else begin(loading.mean, loading.range, at),
            criteria=CriteriaState(),
            correction=start_correction(loading.mean, loading.range / 2),
            counting=True,
            quiet_since=at,
        )

    def _looked(self, block: SampleBlock) -> tuple[Held | None, Look | None, Trip | None]:
        deflection: SampleArray = net_deflection(block)
        look = self._cycling.look(block, deflection) if self._cycling is not None else None
        if self._held is None:
            return None, look, None
        held, trip = self._held.checked(block, deflection)
        return held, look, trip

    def _acted_upon(self, look: Look | None, trip: Trip | None) -> int:
        """Return the number of frames with which something is known that is acted upon."""
        frames = [trip.frame + 1] if trip is not None else []
        decisions = look.decisions if look is not None else ()
        return min((*frames, *(d.frame for d in decisions if self._acts(d))), default=FOR_EVER)

    def _acts(self, decision: Decision) -> bool:
        if isinstance(decision.detail, Finding):
            found = decision.detail
            judged = self._setup.own is not None
            return judged and (found.kind == "baseline" or found.action in ENDING)
        return decision.kind == "health" or self._is_silence(decision)

    def _is_silence(self, decision: Decision) -> bool:
        """Tell whether a rig's feedback was silent; an imported recording may rest."""
        return decision.kind == "silent" and self._setup.own is None

    def _found(self, rows: Cycles | None) -> None:
        if rows is not None and len(rows):
            self.seen.stretches[-1].append(rows)
            self.seen.counted = int(rows["number"][-1])

    def _cycle(self, tick: int) -> int:
        asked = self._setup.cycle_at
        return self.seen.counted if asked is None else asked(tick)

    def _decide(self, tick: int, look: Look | None, trip: Trip | None) -> None:
        """Take what became known in a block, in the order in which a test acts on it."""
        if trip is not None:
            if self._line.survived(trip.frame + 1):
                self._note(tick, TRIP, Found("limit", self._cycle(tick), trip.text, "limit"))
                return
            self._tripped = trip, tick
            after = round(self._setup.plan.full_rate.after_stop * self._setup.rate)
            # Of the recorded stop all evidence that was kept is looked at, as it was then.
            here = abs(self._line.end - tick) <= self._line.tick
            self._evidence.waits_until = FOR_EVER if here else tick + after
            return
        decisions = look.decisions if look is not None else ()
        doubts = [d for d in decisions if not isinstance(d.detail, Finding)]
        for decision in (*doubts, *(d for d in decisions if isinstance(d.detail, Finding))):
            if self.seen.end is None:
                self._decided(decision)

    def _decided(self, decision: Decision) -> None:
        detail, tick = decision.detail, self._line.at_tick(decision.frame)
        if isinstance(detail, Finding):
            if self._setup.own is not None:
                self._finding(detail, tick)
        elif self._is_silence(decision):
            self._doubt(decision, Found("silent", self._cycle(tick), str(detail), "fault"))
        elif isinstance(detail, HealthFinding) and detail.kind == "spiking":
            if self._setup.own is not None:
                self._note(tick, DOUBT, Found("spiking", self._cycle(tick), detail.text, "warn"))
        elif isinstance(detail, HealthFinding):
            self._doubt(decision, Found(detail.kind, self._cycle(tick), detail.text, "fault"))

    def _finding(self, finding: Finding, tick: int) -> None:
        self._note(tick, FINDING, found_of(finding))
        if finding.kind == "baseline" and self._cycling is not None:
            base = self._cycling.criteria.baseline
            self._settled = (tick, base) if base is not None else None
        if finding.action in ENDING:
            self.seen.end = end_of(finding, tick)

    def _doubt(self, decision: Decision, found: Found) -> None:
        """End by a channel in doubt, unless the recorded test paused for it or went on after it."""
        line = self._line
        tick = line.at_tick(decision.frame)
        goes_on = line.paused_at(decision.frame) or line.survived(decision.frame)
        self._note(tick, DOUBT, replace(found, action="pause") if goes_on else found)
        if not goes_on:
            cycle = self._cycle(tick)
            self.seen.end = End(tick, DOUBT, decision.frame, "fault", found.text, found, cycle)

    def _note(self, tick: int, rank: int, found: Found) -> None:
        self.seen.noted.append(Noted(tick, rank, found))

    def _name(self) -> None:
        """Name the outcome after a limit, once all samples about it are here."""
        if self._tripped is None:
            return
        (trip, tick), self._tripped = self._tripped, None
        base = self._settled[1] if self._settled is not None else None
        if self._settled is not None and tick < self._settled[0]:
            base = None
        outcome, why = self._evidence.named(trip, tick, base)
        cycle = self._cycle(tick)
        found = Found("limit", cycle, trip.text, outcome)
        self._note(tick, TRIP, found)
        self.seen.end = End(tick, TRIP, trip.frame + 1, outcome, why, found, cycle)
