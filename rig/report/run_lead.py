"""How a run ended, in a sentence, and the evidence for it."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from rig.report.curve_bending import baseline_of, window_of
from rig.report.document import Facts, Section
from rig.report.measure import COUNT, Measure, Part, Words, precise
from rig.report.run_after import Fact, facts_after
from rig.report.run_parts import (
    attribute,
    event_cycle,
    event_said,
    event_time,
    events_of,
    of_column,
)
from rig.report.run_reading import RunRead

TRIPPED: Final = "; stopped by limit: "
"""In the reason of a failure that a limit found first."""
_ULTIMATE: Final = re.compile(r"(?:ultimate load|it had held) ([\d.e+]+) kN")
_BENT: Final = re.compile(r"at net deflection ([\d.e+-]+) mm")
_NOBODY: Final = "not yet said by anybody"

Row = tuple[str, tuple[Part, ...]]


def lead(read: RunRead) -> tuple[Part, ...]:
    """Return what became of the specimen, in a sentence or two."""
    who = attribute(read, "specimen_id")
    why = attribute(read, "why")
    if read.header.imported:
        return (who, ": an imported recording of ", read.cycles, " counted cycles; ", why, ".")
    if not read.ended:
        return (who, ": the test has no end in this record; ", read.cycles, " cycles are counted.")
    if read.outcome == "ultimate":
        return (who, " was broken slowly", *_ultimate(read), ": ", why, ".")
    said: tuple[Part, ...] = (*_after(read), ": ", why, ".")
    return (who, *said, *_residual(read))


def _after(read: RunRead) -> tuple[Part, ...]:
    """Return how a test ended, with its count."""
    how: dict[str, tuple[Part, ...]] = {
        "failure": (" failed after ", read.cycles, " counted cycles"),
        "run-out": (" did not fail in ", read.cycles, " counted cycles, its run-out"),
        "limit": (" was stopped by a limit, which is no failure, after ", read.cycles, " cycles"),
        "fault": (" was stopped by a fault of rig or sensors after ", read.cycles, " cycles"),
        "operator": (" was ended by people after ", read.cycles, " counted cycles"),
    }
    usual: tuple[Part, ...] = (" ended as ", attribute(read, "outcome"), " after ", read.cycles)
    return how.get(read.outcome, usual)


def _ultimate(read: RunRead) -> tuple[Part, ...]:
    load = ultimate_load(read)
    return () if load is None else (" and carried ", load)


def ultimate_load(read: RunRead) -> Measure | None:
    """Return the ultimate load [N] of a static test, as its reason says it; None without one."""
    said = _ULTIMATE.findall(read.recording.why) if read.outcome == "ultimate" else []
    load = max((1e3 * float(number) for number in said), default=None)
    return None if load is None else Measure(load, "N", "derived.ultimate.load", 5)


def _residual(read: RunRead) -> tuple[Part, ...]:
    after = read.recording.residual
    if after is None:
        return ()
    if after.outcome == "ultimate" and after.load is not None:
        return (" Broken slowly afterwards, it carried ", residual_load(after.load), ".")
    why = Words(after.why, "attr.residual_why")
    return (" Its residual capacity is not known: ", why, ".")


def residual_load(load: float) -> Measure:
    """Return the load [N] that a specimen carried after its run-out."""
    return Measure(load, "N", "attr.residual_load", 5)


@dataclass(frozen=True, slots=True)
class Loss:
    """Stiffness lost: both medians as measures, the loss, and when it was first seen."""

    baseline: Measure
    end: Measure
    loss: Measure
    first_seen: Measure | None


def loss_of(read: RunRead) -> Loss | None:
    """Return what stiffness was lost up to the end, None where there is no baseline."""
    plan, last = read.plan, read.columns.rows
    base = baseline_of(read.columns, plan)
    if base is None or not base.value > 0 or last < 1:
        return None
    end = read.columns.median(max(last - window_of(plan), 0) + 1, last)
    if math.isnan(end.value):
        return None
    loss = Measure(1.0 - end.value / base.value, "%", "derived.stiffness_loss.last")
    return Loss(precise(base, 5), precise(end, 5), loss, _first_seen(read, base.value))


def _first_seen(read: RunRead, baseline: float) -> Measure | None:
    plan = read.plan
    criterion = plan.failure.stiffness_loss if plan else None
    if plan is None or criterion is None:
        return None
    limit = baseline * (1.0 - criterion.stop)
    cycle = read.columns.first_at_or_below(limit, plan.baseline.last)
    if cycle is None:
        return None
    return Measure(cycle, COUNT, "derived.stiffness_loss.first_seen")


def outcome_section(read: RunRead) -> Section:
    """Return the outcome with its evidence."""
    rows = (*_outcome(read), *_evidence(read), *_found(read))
    return Section("outcome", "Outcome and its evidence", (Facts(rows),))


def _outcome(read: RunRead) -> Iterator[Row]:
    named = attribute(read, "outcome") if read.outcome else "none in the record"
    yield "Outcome", (named,)
    yield "Why", (attribute(read, "why"),)
    yield "Counted cycles", (read.cycles,)
    ended = read.recording.ended_time
    if math.isfinite(ended):
        yield "Ended", (read.moment(ended, "attr.ended_time"),)
        yield "Test time at the end", (Measure(ended, "s", "attr.ended_time", 4),)


def _evidence(read: RunRead) -> Iterator[Row]:
    yield from _loss_rows(read)
    yield from _last_rows(read)
    if TRIPPED in read.recording.why:
        yield "Limit that stopped it", (_tripped(read),)
    else:
        for index in events_of(read, "limit")[-1:]:
            yield "Limit that tripped last", (event_said(read, index),)
    for index in events_of(read, "verdict")[-1:]:
        said = read.events[index].text
        more = (": ", event_said(read, index)) if said != read.recording.why else ()
        yield (
            "Verdict",
            ("at cycle ", event_cycle(read, index), ", ", event_time(read, index), *more),
        )
    if read.outcome == "ultimate":
        yield from _ultimate_rows(read)
    yield from _residual_rows(read)


def _tripped(read: RunRead) -> Part:
    found = events_of(read, "limit")
    return event_said(read, found[-1]) if found else attribute(read, "why")


def _loss_rows(read: RunRead) -> Iterator[Row]:
    found = loss_of(read)
    if found is None:
        if read.columns.rows:
            yield "Stiffness loss", ("not known: there is no baseline to hold it against",)
        return
    yield "Stiffness, baseline", (found.baseline, *_baseline_words(read))
    yield "Stiffness, last cycles before the verdict", (found.end, " (median)")
    yield "Stiffness loss", (found.loss, " below the baseline", *_limit(read))
    if found.first_seen is not None:
        yield (
            "Loss beyond the limit first seen",
            ("in cycle ", found.first_seen, " by itself; confirmed at cycle ", read.cycles)
            if read.outcome == "failure"
            else ("in cycle ", found.first_seen, " by itself"),
        )


def _baseline_words(read: RunRead) -> tuple[Part, ...]:
    if read.plan is None:
        return ()
    first = Measure(read.plan.baseline.first, COUNT, "derived.baseline.first")
    last = Measure(read.plan.baseline.last, COUNT, "derived.baseline.last")
    return (", median of cycles ", first, " to ", last)


def _limit(read: RunRead) -> tuple[Part, ...]:
    criterion = read.plan.failure.stiffness_loss if read.plan else None
    if criterion is None:
        return ()
    return ("; limit ", Measure(criterion.stop, "%", "derived.loss.stop"))


def _last_rows(read: RunRead) -> Iterator[Row]:
    for name, words in (
        ("load_max", "Largest load of the last cycle"),
        ("deflection_max", "Largest net deflection of the last cycle"),
    ):
        measure = of_column(read, name, "last")
        if math.isfinite(measure.value):
            yield words, (measure,)


def _ultimate_rows(read: RunRead) -> Iterator[Row]:
    load = ultimate_load(read)
    if load is not None:
        yield "Ultimate load", (load,)
    bent = _BENT.search(read.recording.why)
    if bent is not None:
        value = Measure(1e-3 * float(bent[1]), "m", "derived.ultimate.deflection", 4)
        yield "Net deflection there", (value,)


def _residual_rows(read: RunRead) -> Iterator[Row]:
    after = read.recording.residual
    if after is None:
        if read.outcome == "run-out":
            yield "Residual capacity", ("not tested",)
        return
    yield "Static test after the run-out", (Words(after.outcome, "attr.residual_outcome", "name"),)
    yield "Why it ended", (Words(after.why, "attr.residual_why"),)
    if after.load is not None:
        name = "Residual capacity" if after.outcome == "ultimate" else "Highest load it held"
        yield name, (residual_load(after.load), *_share(read, after.load))
    if after.deflection is not None:
        value = Measure(after.deflection, "m", "attr.residual_deflection", 4)
        yield "Net deflection there", (value,)


def _share(read: RunRead, load: float) -> tuple[Part, ...]:
    loading = read.plan.loading if read.plan else None
    if loading is None or not loading.capacity > 0:
        return ()
    share = Measure(load / loading.capacity, "%", "derived.residual_share")
    return (", ", share, " of the capacity its loads were taken from")


def _found(read: RunRead) -> Iterator[Row]:
    """Yield what people found after the end, and say of what nobody has spoken."""
    told = facts_after(read.cracks)
    mode = told.get("mode")
    yield "Failure mode", (mode.words,) if mode else (_NOBODY,)
    valid = told.get("valid") or told.get("void")
    yield "Valid or void", _validity(valid)
    wires = told.get("wires")
    if wires is not None:
        yield "Broken wires", _wires(wires)
    if "rust" in told:
        yield "Rust", (told["rust"].words,)


def _validity(fact: Fact | None) -> tuple[Part, ...]:
    if fact is None:
        return (_NOBODY,)
    text: tuple[Part, ...] = (": ", fact.words) if fact.words.text else ()
    return (Words(fact.name, f"cracks.{fact.row}.fact", "name"), *text)


def _wires(fact: Fact) -> tuple[Part, ...]:
    where: tuple[Part, ...] = (", ", fact.words) if fact.words.text else ()
    return (Measure(fact.wires, COUNT, f"cracks.{fact.row}.wires"), *where)
