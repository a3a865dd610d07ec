"""How a run ended, in a sentence, and the evidence for it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from rig.record.reasons import ultimate_of
from rig.report.curve_bending import (
    against_first_check,
    baseline_of,
    loss_measure,
    window_of,
)
from rig.report.curve_statics import statics_of
from rig.report.document import Facts, Section
from rig.report.event_words import TRIPPED
from rig.report.measure import COUNT, Measure, Part, Words, count_of, precise
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

_NOBODY: Final = "not yet said by anybody"
_NO_FAILURE: Final = "no failure in {:,} cycles"
"""The usual reason of a run-out."""

Row = tuple[str, tuple[Part, ...]]


def lead(read: RunRead) -> tuple[Part, ...]:
    """Return what became of the specimen, in a sentence or two; first of all that it is void."""
    void = facts_after(read.cracks).get("void")
    first: tuple[Part, ...] = ("This test is void: ", void.words, ". ") if void else ()
    return (*first, *_became(read))


def _became(read: RunRead) -> tuple[Part, ...]:
    who = specimen_named(read)
    said = attribute(read, "why")
    why: tuple[Part, ...] = (": ", said, ".") if said.text else (".",)
    if read.header.imported:
        return (who, ": an imported recording of ", *_counted(read), "; ", said, ".")
    if not read.ended:
        still = ": the test still ran, or was cut off, when this was written; so far "
        return (who, still, *_counted(read), ".")
    if read.outcome == "ultimate":
        return (who, " was broken slowly", *why)
    if said.text == _NO_FAILURE.format(read.recording.cycles):
        why = (".",)  # it says once more what stands there
    return (who, *_after(read), *why, *_residual(read))


def specimen_named(read: RunRead) -> Part:
    """Return which specimen it is, as far as the record knows."""
    who = attribute(read, "specimen_id")
    return who if who.text else "Specimen not named"


def _counted(read: RunRead) -> tuple[Part, ...]:
    return count_of(read.recording.cycles, "counted cycle", "attr.cycles")


def _after(read: RunRead) -> tuple[Part, ...]:
    """Return how a test ended, with its count."""
    cycles = _counted(read)
    how: dict[str, tuple[Part, ...]] = {
        "failure": (" failed after ", *cycles),
        "run-out": (" did not fail in ", *cycles, ", its run-out"),
        "limit": (" was stopped by a limit, which is no failure, after ", *cycles),
        "fault": (" was stopped by a fault of rig or sensors after ", *cycles),
        "operator": (" was ended by people after ", *cycles),
    }
    usual: tuple[Part, ...] = (" ended as ", attribute(read, "outcome"), " after ", *cycles)
    return how.get(read.outcome, usual)


def ultimate_load(read: RunRead) -> Measure | None:
    """Return the ultimate load [N] of a static test, as its reason says it; None without one."""
    found = ultimate_of(read.recording.why) if read.outcome == "ultimate" else None
    return None if found is None else Measure(found[0], "N", "derived.ultimate.load", 5)


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
    loss = loss_measure(1.0 - end.value / base.value, "derived.stiffness_loss.last")
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
    if read.recording.why:
        yield "Why", (attribute(read, "why"),)
    if read.cyclic:
        yield "Counted cycles", (read.cycles,)
    ended = read.recording.ended_time
    if math.isfinite(ended):
        if not read.header.imported:
            yield "Ended", (read.moment(ended, "attr.ended_time"),)
        yield "Test time at the end", (Measure(ended, "s", "attr.ended_time", 4),)


def _evidence(read: RunRead) -> Iterator[Row]:
    yield from _loss_rows(read)
    yield from _last_rows(read)
    if TRIPPED in read.recording.why:
        yield "Limit that stopped it", (_tripped(read),)
    else:
        for index in events_of(read, "limit")[-1:] if read.outcome == "limit" else ():
            yield "Limit that stopped it", (event_said(read, index),)
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
    yield "Stiffness, last counted cycles", (found.end, " (median)")
    yield "Stiffness loss", (found.loss, " below the baseline", *_limit(read))
    if found.first_seen is not None:
        confirmed = read.outcome == "failure" and found.loss.value >= _stop_at(read)
        more: tuple[Part, ...] = (", confirmed at cycle ", read.cycles) if confirmed else ()
        yield "Loss beyond the limit", ("first seen in cycle ", found.first_seen, *more)
    yield from _static_rows(read)


def _stop_at(read: RunRead) -> float:
    criterion = read.plan.failure.stiffness_loss if read.plan else None
    return criterion.stop if criterion else math.inf


def _static_rows(read: RunRead) -> Iterator[Row]:
    """Yield the second reference: the first static check after cracking, never taken again."""
    found = against_first_check(statics_of(read.recording))
    if found:
        yield "Stiffness in static checks", found


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
    found, load = ultimate_of(read.recording.why), ultimate_load(read)
    if found is None or load is None:
        return
    yield "Ultimate load", (load,)
    if math.isfinite(found[1]):
        value = Measure(found[1], "m", "derived.ultimate.deflection", 4)
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
