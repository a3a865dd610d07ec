"""Kept samples through today's extraction, limits and sensor health.

Limits hold wherever the test was under way, those learned while it cycled; health and silence
are looked at while it cycled. An imported recording has no states: it cycles from its first
counted cycle on.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import begin
from rig.criteria.findings import CriteriaSetup, CriteriaState, Settled
from rig.guards.health import HealthFinding
from rig.guards.limits import Trip
from rig.judging.arming import cycling_setup, feedback_setup
from rig.judging.at_rest import UNPLUGGED, loop_only
from rig.judging.correction import start_correction
from rig.judging.cycling import Cycling, CyclingSetup
from rig.judging.load_watch import LED
from rig.judging.looking import Decision, Judge, Look
from rig.protocol.plan import Plan
from rig.replay.ends import DOUBT, TRIP, End, Noted
from rig.replay.found import Found
from rig.replay.held import Evidence, Held, bounds_of
from rig.replay.imported import HealthWatch
from rig.replay.recording import Recording
from rig.replay.stretches import Piece, part_of, pieces
from rig.replay.timeline import FOR_EVER, UNWATCHED, Timeline
from rig.samples import Cycles, SampleArray, SampleBlock

ACTS: Final = frozenset({"health", "silent"})
"""Kinds of decisions that are acted upon here; of what rows tell, rows are judged."""

SLOW: Final = frozenset({"approach", "static", "ramp", "hold"})
"""States in which the specimen is loaded slowly and nothing else."""
AT_REST: Final = frozenset({"waiting", "locked", "paused", "unloaded", "re-wetting", "starting"})
"""States in which nothing is commanded, and people may be at the sensors."""
WITHOUT_PRESSURE: Final = frozenset({"unloaded", "starting"})
"""Of these, the ones in which there is no pressure, or not for certain."""


@dataclass(frozen=True, slots=True)
class SampleSetup:
    """What samples at `rate` [Hz] are held against, up to frame `until`.

    `settled` is the baseline that rows have told, and the tick from which limits are learned
    from it; `cycle_at` tells the counted cycle at a tick. `counts_from` is the frame at which an
    imported recording begins to cycle, None for one that a rig made.
    """

    plan: Plan
    rate: float
    timeline: Timeline
    cycle_at: Callable[[int], int]
    until: int = FOR_EVER
    settled: tuple[int, Settled] | None = None
    counts_from: int | None = None


@dataclass(slots=True)
class Seen:
    """What was seen: what ends nothing, the end, and the cycles found in each stretch."""

    noted: list[Noted] = field(default_factory=list)
    end: End | None = None
    stretches: list[list[Cycles]] = field(default_factory=list)


class Watch:
    """Looks at one piece of samples after the other; `seen` is what came of it.

    A block is cut at the tick at which something in it is acted upon, and looked at again, as
    the stream of a rig does it: what is found does not depend on how samples were cut.
    """

    def __init__(self, setup: SampleSetup) -> None:
        self._setup = setup
        self._line = setup.timeline
        self._judge: Judge | None = None
        self._held: Held | None = None
        imported = setup.counts_from is not None
        self._known = None if imported else feedback_setup(setup.plan, setup.rate)
        self._evidence = Evidence(setup.plan, setup.rate, imported=imported)
        self._tripped: tuple[Trip, int] | None = None
        self.seen = Seen()

    def take(self, piece: Piece) -> None:
        """Look at the next piece; of what lies behind an end nothing is looked at."""
        if piece.new:
            self._name()
            self._evidence.forget()
            self._judge = self._held = None
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
        setup = self._setup
        changes = [self._line.span(frame).end, self._line.end, self._line.breaks, FOR_EVER]
        changes += [setup.counts_from] if setup.counts_from is not None else []
        changes += [setup.settled[0]] if setup.settled is not None else []
        return min(c for c in changes if c > frame)

    def _look(self, block: SampleBlock) -> int:
        """Look at a block in which nothing changes by itself; return the frame it counts up to."""
        state = self._line.span(block.first).state
        if state in UNWATCHED or block.first >= self._line.end:
            self._judge = self._held = None
            return block.end
        counts = block.first >= (self._setup.counts_from or block.first)
        self._prepare(block, state, counts=counts)
        held, look, trip = self._looked(block)
        tick = self._line.at_tick(self._acted_upon(look, trip))
        if block.first < tick < block.end:
            block = part_of(block, block.first, tick)
            held, look, trip = self._looked(block)
        self._held = held
        if look is not None:
            self._judge = look.judge
            if look.counted is not None and len(look.counted):
                self.seen.stretches[-1].append(look.counted)
        self._decide(self._line.at_tick(block.end), look, trip)
        return block.end

    @property
    def _cyclic(self) -> CyclingSetup | None:
        """What judges cycles by the plan, None where it has none."""
        plan = self._setup.plan
        if plan.cyclic is None or plan.loading is None:
            return None
        return cycling_setup(plan, plan.cyclic, plan.loading, self._setup.rate)

    def _prepare(self, block: SampleBlock, state: str, *, counts: bool) -> None:
        """Arm what holds from the beginning of a block on; what is armed anew counts anew."""
        setup, settled, known = self._setup, self._setup.settled, self._known
        cycles = state == "cycling" and counts and self._cyclic is not None
        learned = cycles and settled is not None and block.first >= settled[0]
        bounds = bounds_of(setup.plan, settled[1] if learned and settled else None)
        if block.first >= self._line.breaks:
            bounds = setup.plan.limits.residual
        if known is not None and state in UNPLUGGED:
            bounds = loop_only(bounds)
        if known is not None and state in WITHOUT_PRESSURE:
            known = replace(known, apart=None)
        if self._held is None or (bounds, known) != (self._held.bounds, self._held.known):
            imported = setup.counts_from is not None
            self._held = Held(bounds, setup.rate, setup.plan.limits.persist, imported, known)
        if not cycles:
            self._judge = None
        elif self._judge is None:
            self._judge = self._fresh(block.first)
            self.seen.stretches.append([])

    def _fresh(self, at: int) -> Judge:
        """Return the judge of a stretch of cycles that begins at a frame."""
        made, loading = self._cyclic, self._setup.plan.loading
        if made is None or loading is None:
            raise ValueError("cycles need a cyclic stage and [loading]")
        if self._setup.counts_from is not None:
            return HealthWatch(made.health)
        # Rows are judged by themselves: here nothing may be found twice.
        unarmed = CriteriaSetup(loading.upper, loading.lower, FOR_EVER, FOR_EVER)
        return Cycling(
            setup=replace(made, criteria=unarmed),
            extraction=begin(loading.mean, loading.range, at),
            criteria=CriteriaState(),
            correction=start_correction(loading.mean, loading.range / 2),
            counting=True,
            quiet_since=at,
        )

    def _looked(self, block: SampleBlock) -> tuple[Held | None, Look | None, Trip | None]:
        deflection: SampleArray = net_deflection(block)
        look = self._judge.look(block, deflection) if self._judge is not None else None
        if self._held is None:
            return None, look, None
        state = self._line.span(block.first).state
        held, trip = self._held.checked(
            block,
            deflection,
            moves=state not in AT_REST,
            slowly=state in SLOW,
            led=state in LED,
        )
        return held, look, trip

    def _acted_upon(self, look: Look | None, trip: Trip | None) -> int:
        """Return the number of frames with which something is known that is acted upon."""
        frames = [trip.frame + 1] if trip is not None else []
        decisions = look.decisions if look is not None else ()
        return min((*frames, *(d.frame for d in decisions if d.kind in ACTS)), default=FOR_EVER)

    def _decide(self, tick: int, look: Look | None, trip: Trip | None) -> None:
        """Take what became known in a block, in the order in which a test acts on it."""
        if trip is not None:
            if self._line.survived(trip.frame + 1):
                self._note(
                    tick, TRIP, Found("limit", self._setup.cycle_at(tick), trip.text, "limit")
                )
                return
            self._tripped = trip, tick
            after = round(self._setup.plan.full_rate.after_stop * self._setup.rate)
            # Of the recorded stop all evidence that was kept is looked at, as it was then.
            here = abs(self._line.end - tick) <= self._line.tick
            self._evidence.waits_until = FOR_EVER if here else tick + after
            return
        for decision in look.decisions if look is not None else ():
            if self.seen.end is None:
                self._decided(decision)

    def _decided(self, decision: Decision) -> None:
        detail = decision.detail
        cycle = self._setup.cycle_at(self._line.at_tick(decision.frame))
        if decision.kind == "silent":
            self._doubt(decision, Found("silent", cycle, str(detail), "fault"))
        elif isinstance(detail, HealthFinding) and detail.kind != "spiking":
            self._doubt(decision, Found(detail.kind, cycle, detail.text, "fault"))

    def _doubt(self, decision: Decision, found: Found) -> None:
        """End by a channel in doubt, unless the recorded test paused for it or went on after it."""
        line = self._line
        tick = line.at_tick(decision.frame)
        goes_on = line.paused_at(decision.frame) or line.survived(decision.frame)
        self._note(tick, DOUBT, replace(found, action="pause") if goes_on else found)
        if not goes_on:
            frame, text = decision.frame, found.text
            self.seen.end = End(tick, DOUBT, frame, "fault", text, found, found.cycle)

    def _note(self, tick: int, rank: int, found: Found) -> None:
        self.seen.noted.append(Noted(tick, rank, found))

    def _name(self) -> None:
        """Name the outcome after a limit, once all samples about it are here."""
        if self._tripped is None:
            return
        (trip, tick), self._tripped = self._tripped, None
        settled = self._setup.settled
        base = settled[1] if settled is not None and tick >= settled[0] else None
        outcome, why = self._evidence.named(trip, tick, base)
        cycle = self._setup.cycle_at(tick)
        found = Found("limit", cycle, trip.text, outcome)
        self._note(tick, TRIP, found)
        self.seen.end = End(tick, TRIP, trip.frame + 1, outcome, why, found, cycle)


def watched(recording: Recording, setup: SampleSetup, since: int = -FOR_EVER) -> Seen:
    """Return what is seen in the kept samples of a recording from frame `since` on."""
    watch = Watch(setup)
    for piece in pieces(recording):
        block = part_of(piece.block, since, FOR_EVER)
        if watch.past(piece.block.first):
            break
        if block.frames:
            watch.take(Piece(block, new=piece.new or block.first > piece.block.first))
    return watch.close()
