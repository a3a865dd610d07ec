"""The end of a static test, from the means that a ramp keeps and the samples about its stop."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rig.acquire.deflection import net_deflection
from rig.criteria.ultimate import End as StaticEnd
from rig.criteria.ultimate import UltimateSetup, UltimateState, watch_ultimate
from rig.judging.watchers import LEAST_SHARE
from rig.protocol.plan import Plan
from rig.protocol.residual import breaks
from rig.record.reasons import ultimate_of
from rig.replay.ends import FINDING, End
from rig.replay.found import Found
from rig.replay.recording import Recording
from rig.replay.stretches import intervals, part_of, pieces
from rig.replay.timeline import FOR_EVER, Span, Timeline
from rig.samples import SampleArray

HIDDEN: Final = 0.01  # of the load: by so much a mean may lie under what three samples held
PEAK_TOLD: Final = (
    "samples are not kept where the load was highest, their means lie lower: the ultimate load is "
    "the one that the record tells"
)


@dataclass(frozen=True, slots=True)
class _Part:
    """Load and net deflection from frame `first` on, each value a mean over `group` frames."""

    first: int
    group: int
    load: SampleArray
    deflection: SampleArray

    @property
    def end(self) -> int:
        return self.first + len(self.load) * self.group


@dataclass(frozen=True, slots=True)
class Broken:
    """How a test to ultimate went: its end, None where none was found in what is kept of it.

    `load` [N] is the highest held, `deflection` [m] the net one there; `note` is what is not known
    of them.
    """

    end: End | None
    load: float
    deflection: float
    note: str = ""


def static_end(
    recording: Recording, plan: Plan, line: Timeline, since: int = -FOR_EVER
) -> Broken | None:
    """Return how a test to ultimate ended, from frame `since` on; None where there was none.

    The means are looked at up to where samples are kept at full rate.
    """
    if not any(breaks(stage) for stage in plan.stages):
        return None
    found = None
    for span in line.spans:
        if span.state in ("ramp", "cycling") and span.begin >= since:
            found = _higher(found, _in_span(recording, plan, line, span))
            if found.end is not None:
                return found
    return found


def _higher(before: Broken | None, now: Broken) -> Broken:
    """Return the later of two, with the higher load: one that was cut off may have held more."""
    if before is None or not before.load > now.load:
        return now
    return replace(now, load=before.load, deflection=before.deflection)


def _in_span(recording: Recording, plan: Plan, line: Timeline, span: Span) -> Broken:
    found = _followed(recording, plan, line, span)
    if found.end is not None or span.end != line.end:
        return found
    # The test stopped here: a fall that began among means may have lasted longer than they tell.
    return _followed(recording, plan, line, span, blurred=True)


def _followed(
    recording: Recording, plan: Plan, line: Timeline, span: Span, *, blurred: bool = False
) -> Broken:
    """Follow what is kept of a ramp; `blurred` takes a fall among means for as long as it may be.

    It began somewhere in its first mean, and the last one before full rate is not whole.
    """
    scale = plan.loading.upper if plan.loading else _load_limit(plan)
    setup = UltimateSetup(recording.rate, plan.specimen.section.span, LEAST_SHARE * scale)
    state, group, told = UltimateState(), 1, False
    for part in _parts(recording, span):
        if part.group != group:
            # Runs and memory are in samples: of another rate they begin anew, the peak stays.
            fallen = (state.fallen + 2 * (blurred and state.fallen > 0)) * group // part.group
            peak, as_told = state.peak, _told_peak(recording)
            if part.group == 1 and peak[0] < as_told[0] <= peak[0] * (1 + HIDDEN):
                peak, told = (*as_told, -1), True
            state, group = UltimateState(peak, fallen), part.group
        now = replace(setup, rate=recording.rate / group)
        state, end = watch_ultimate(now, state, 0, part.load, part.deflection)
        if end is not None:
            note = PEAK_TOLD if told and end.peak_frame < 0 else ""
            return Broken(_ended(part, end, line), end.peak_load, end.peak_deflection, note)
    return Broken(None, *state.peak[:2])


def _ended(part: _Part, end: StaticEnd, line: Timeline) -> End:
    frame = part.first + (end.frame + 1) * part.group
    found = Found("ultimate", 0, end.text, "ultimate")
    return End(line.at_tick(frame), FINDING, frame, "ultimate", end.text, found, 0)


def _told_peak(recording: Recording) -> tuple[float, float]:
    """Return the highest load [N] and net deflection there [m] as the record tells them."""
    after = recording.residual
    if after is not None and after.load is not None and after.deflection is not None:
        return after.load, after.deflection
    found = ultimate_of(recording.why) if recording.outcome == "ultimate" else None
    return found or (-math.inf, math.nan)


def _load_limit(plan: Plan) -> float:
    """Return the upper limit on load [N], which a test without [loading] is scaled by."""
    bounds = [b["load"][1] for b in (plan.limits.fixed, plan.rig.limits) if "load" in b]
    return min(bounds, default=plan.rig.actuator.load[1])


def _parts(recording: Recording, span: Span) -> Iterator[_Part]:
    """Yield what is kept of a ramp in order of time, each frame once."""
    kept = [max(a, span.begin) for a, b in intervals(recording) if a < span.end and b > span.begin]
    begin = min(kept, default=span.end)
    done = span.begin
    for part in sorted(_means(recording, span), key=lambda p: p.first):
        skip = max(done - part.first, 0) // part.group
        stop = min(max(begin - part.first, 0) // part.group, len(part.load))
        if stop > skip:
            first = part.first + skip * part.group
            yield _Part(first, part.group, part.load[skip:stop], part.deflection[skip:stop])
            done = part.first + stop * part.group
    for piece in pieces(recording):
        block = part_of(piece.block, span.begin, span.end)
        if block.frames:
            yield _Part(block.first, 1, block.of("load"), net_deflection(block))


def _means(recording: Recording, span: Span) -> Iterator[_Part]:
    """Yield the means kept of a ramp: as it went, and as a whole once it had ended."""
    kept = [(r.first, r.rate, r.channels, r.values) for r in recording.static()]
    kept += [
        (r.first_frame, r.rate, r.channels, r.values)
        for r in recording.full_rate()
        if r.rate != recording.rate
    ]
    for first, rate, channels, values in kept:
        if span.begin <= first < span.end and "deflection" in channels and values.size:
            load, deflection = (values[channels.index(n)] for n in ("load", "deflection"))
            group = max(round(recording.rate / rate), 1)
            yield _Part(first, group, np.asarray(load), np.asarray(deflection))
