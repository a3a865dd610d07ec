"""What in the record of a run deviates from its protocol: each with when and how much.

What was looked for and not found is named, so that silence is not taken for an answer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from rig.judging.shadow import WOULD
from rig.protocol.doubts import plan_doubts
from rig.protocol.rig_file import SIMULATED
from rig.report.curve_target import OVERLOADED
from rig.report.document import Listed, Paragraph, Section
from rig.report.event_words import (
    CAN_OUTSIDE,
    FOUND,
    GOES_ON,
    LET_GO_ON,
    NOBODY_CAME,
    PAUSING,
    SHORT,
    UNATTENDED,
    WATER_TROUBLE,
)
from rig.report.measure import COUNT, Cell, Measure, Table, Words, count_of
from rig.report.run_keys import constant
from rig.report.run_parts import event_cycle, event_said, event_time, events_of
from rig.report.run_reading import RunRead
from rig.report.run_stood import (
    FOLDED,
    inspections_asked,
    inspections_left,
    late_unloaded,
    long_unloaded,
)
from rig.report.run_water import dry_spells, missed

HEADS: Final = ("what", "when", "counted cycles", "how much, as recorded")
SILENT: Final = "Looked for and not found in the record: "
MOST: Final = 20
"""Rows of one kind that are shown: of more the first ones, and how many there are."""

Row = tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Looked:
    """One thing that was looked for: its `name`, the rows found, and the kinds of their events."""

    name: str
    rows: tuple[Row, ...]
    kinds: tuple[str, ...] = ()


_UNWATCHED: Final = Paragraph(
    (
        "An imported recording has no events: whether water was missed, sensors failed, limits "
        "tripped or people went on, what was left out and what was done otherwise is not known.",
    )
)


def deviations_section(read: RunRead) -> Section:
    """Return deviations found, and what else was looked for."""
    looked = tuple(_looked(read))
    found = [one for one in looked if one.rows]
    silent = [one.name for one in looked if not one.rows]
    rows = tuple(row for one in found for row in _shown(one))
    if rows:
        caption = ("Deviations that the record tells of",)
        blocks: tuple[Listed | Paragraph, ...] = (
            Listed(caption, Table(HEADS, rows), folded=len(rows) > 4 * FOLDED),
        )
    else:
        blocks = (Paragraph(("None was found in the record of what was looked for.",)),)
    if read.header.imported:
        return Section("deviations", "Deviations from the protocol", (*blocks, _UNWATCHED))
    rest = (Paragraph((f"{SILENT}{'; '.join(silent)}.",)),) if silent else ()
    return Section("deviations", "Deviations from the protocol", (*blocks, *rest))


def _shown(one: Looked) -> Iterator[Row]:
    for row in one.rows[:MOST]:
        yield one.name, *row
    if len(one.rows) > MOST:
        said: Cell = "more of them stand in run.h5"
        if one.kinds:
            key = f"derived.events.{'+'.join(one.kinds).replace(' ', '_')}.count"
            said = Measure(len(one.rows), COUNT, key), " in all; they stand in /events of run.h5"
        yield one.name, "later too", "", said


def _looked(read: RunRead) -> Iterator[Looked]:
    for name, which in _EVENTS:
        kinds = which if isinstance(which, tuple) else ()
        found = events_of(read, *which) if isinstance(which, tuple) else which(read)
        yield Looked(name, tuple(_event(read, index) for index in found), kinds)
    yield Looked(
        "unloaded for long", tuple(_stood(read, long_unloaded(read.rows("interruptions"))))
    )
    yield Looked("unloaded late", tuple(_stood(read, late_unloaded(read.rows("interruptions")))))
    yield Looked("water on without confirmed flow", tuple(_unconfirmed(read)))
    if read.cyclic:
        yield from _of_cycles(read)
        yield from _of_inspections(read)
    yield from _of_rig(read)


def _event(read: RunRead, index: int) -> Row:
    said: Cell = event_said(read, index)
    if read.events[index].kind == "rig file":
        said = "from here on another rig file holds: its whole text stands in this event"
    return event_time(read, index), event_cycle(read, index), said


def _stood(read: RunRead, which: Iterable[int]) -> Iterator[Row]:
    rows = read.rows("interruptions")
    for index in which:
        time, cycle, lasted, text = rows[index]
        key = f"interruptions.{index}"
        yield (
            read.moment(time, f"{key}.time"),
            Measure(cycle, COUNT, f"{key}.cycle"),
            (Measure(lasted, "s", f"{key}.duration"), ": ", Words(text, f"{key}.text")),
        )


def _unconfirmed(read: RunRead) -> Iterator[Row]:
    for index, (on, off, _, confirmed) in enumerate(read.rows("spray")):
        if not confirmed:
            key = f"derived.spray.{index}.lasted"
            lasted = Measure(off - on, "s", key)
            yield read.moment(on, f"spray.{index}.time_on"), "", lasted


def _short(read: RunRead) -> list[int]:
    """Return where the load was short: what ends a test by that is told as its verdict."""
    ends = [i for i in events_of(read, "verdict") if SHORT in read.events[i].text]
    return sorted([*events_of(read, "load-short"), *ends])


def _again(read: RunRead) -> list[int]:
    """Return the baselines that were taken after the first one."""
    return events_of(read, "baseline")[1:]


def _going_on(read: RunRead) -> list[int]:
    """Return where people let a test go on that something found had paused.

    The state that followed tells it: a request may have been refused, and holds words of people.
    """
    found, paused = [], False
    for index in events_of(read, "state"):
        text = read.events[index].text
        if text.startswith(PAUSING):
            paused = text.startswith(FOUND)
        elif text.startswith(LET_GO_ON):
            if paused:
                found.append(index)
            paused = False
    return found


def _forced(read: RunRead) -> list[int]:
    """Return where a test went on although somebody should have looked."""
    return [i for i in events_of(read, "pause") if GOES_ON in read.events[i].text]


def _alert_only(read: RunRead) -> list[int]:
    return [i for i, event in enumerate(read.events) if event.text.startswith(WOULD)]


def _unattended(read: RunRead) -> list[int]:
    states = events_of(read, "state")
    return [i for i in states if read.events[i].text.startswith(UNATTENDED)]


def _tripped_before(read: RunRead) -> list[int]:
    """Return the limits that tripped and did not end the test, or not for good."""
    found = events_of(read, "limit")
    return found[:-1] if read.outcome in {"limit", "failure"} else found


def _unmapped(read: RunRead) -> list[int]:
    """Return the inspections at which cracks were to be mapped, and nobody came."""
    asked = read.plan.inspections if read.plan else None
    if asked is None or not asked.map_cracks:
        return []
    return [i for i in events_of(read, "state") if read.events[i].text.startswith(NOBODY_CAME)]


def _water_trouble(read: RunRead) -> list[int]:
    return [i for i in events_of(read, "water") if read.events[i].text.startswith(WATER_TROUBLE)]


def _cans_outside(read: RunRead) -> list[int]:
    cans = events_of(read, "catch can")
    return [i for i in cans if CAN_OUTSIDE.search(read.events[i].text)]


def _without(read: RunRead) -> list[int]:
    """Return deviations of the water that are not told elsewhere: those still going on."""
    spells = set(dry_spells(read))
    return [i for i in events_of(read, "deviation") if i not in spells]


_EVENTS: Final[tuple[tuple[str, tuple[str, ...] | Callable[[RunRead], list[int]]], ...]] = (
    ("spray period missed", missed),
    ("dry beyond the plan, begun", _without),
    ("dry beyond the plan, ended", dry_spells),
    ("flow or pump in trouble", _water_trouble),
    ("catch can outside its tolerance", _cans_outside),
    ("limit that tripped, and the test went on", _tripped_before),
    ("cracks to be mapped, and nobody came", _unmapped),
    ("stiffness lost before the baseline", ("early-loss",)),
    ("load short", _short),
    ("load off its target", ("off-target", "uneven-load")),
    ("load correction at its end", ("correction",)),
    ("overload, as told", ("overload",)),
    ("gone on although somebody should have looked", _forced),
    ("gone on at somebody's request after a pause that something found called for", _going_on),
    ("nobody looked in time", _unattended),
    ("criterion that was alert only", _alert_only),
    ("channels that contradict each other", ("conflict", "support")),
    ("trouble of a sensor", ("sensor",)),
    ("sensor moved or exchanged", ("offset",)),
    ("zero that has moved", ("zero",)),
    ("baseline taken again", _again),
    ("doubt about the rig accepted by name", ("accepted",)),
    ("doubt about the rig at the start", ("doubt",)),
    ("rig file changed on the way", ("rig file",)),
    ("taken up again after it was cut off or stopped", ("resume",)),
    ("channels corrected as a verification tells", ("corrected",)),
    ("disturbances that were scripted", ("events",)),
    ("stage left out", ("skipped",)),
    ("trouble of the record", ("record", "bug")),
    ("trouble of lines or clock", ("clock",)),
    ("oil too warm", ("oil",)),
    ("stop that did not go as planned", ("stop",)),
    ("what importing found odd", ("import",)),
)
"""What events tell of deviations, and which they are: of some kinds, or as a function finds."""


def _of_cycles(read: RunRead) -> Iterator[Looked]:
    """Yield what columns of the cycles tell."""
    held, columns = read.columns.held, read.columns
    rows: list[Row] = []
    if held is not None and held.overloads:
        count = count_of(held.overloads, "cycle", "derived.overload.102.count")
        said = (*count, " above ", constant("overloaded"), " of the upper load")
        rows.append(("see the section on loading", "", said))
    if held is not None and held.first_marked is not None:
        first = Measure(held.first_marked, COUNT, "derived.overload.105.first")
        count = count_of(held.marked, "cycle", "derived.overload.105.count")
        said = (*count, " above ", constant("marked"), " of the upper load")
        rows.append(("first there", first, said))
    yield Looked("overloaded cycles", tuple(rows))
    yield Looked("loaded too high while the amplitude grew", _high_at_first(read))
    for name, words in (
        ("short", "cycles of too small a range"),
        ("gap", "cycles with samples missing, used"),
        ("long-gap", "cycles with more samples missing, not judged"),
    ):
        number = columns.flags.get(name, 0)
        count = count_of(number, "cycle", f"cycles.flags.{name}.count")
        found: tuple[Row, ...] = (("over the whole test", "", count),) if number else ()
        yield Looked(words, found)
    yield Looked("frequency lowered", _slower(read))


def _of_inspections(read: RunRead) -> Iterator[Looked]:
    """Yield how many inspections were not held; one that is under way has no row yet."""
    if not read.ended or read.header.imported:
        return
    left = inspections_left(read)
    told = (Measure(left, COUNT, "derived.inspections.left"), " of ", _asked(read), " asked for")
    yield Looked("inspections asked for and not held", (("by the end", "", told),) if left else ())


def _asked(read: RunRead) -> Measure:
    return Measure(inspections_asked(read), COUNT, "derived.inspections.asked")


def _high_at_first(read: RunRead) -> tuple[Row, ...]:
    """Return how high the load was before the cycles counted, where that was an overload."""
    held, found = read.columns.held, read.columns.build_up.get("load_max")
    if held is None or found is None or not found.max > OVERLOADED * held.upper:
        return ()
    most = Measure(found.max, "N", "build_up.load_max.max", 5)
    upper = Measure(held.upper, "N", "derived.upper_load", 5)
    return (("before cycles were counted", "", ("up to ", most, ", the upper load being ", upper)),)


def _slower(read: RunRead) -> tuple[Row, ...]:
    """Return how far the frequency was below the one asked for, where by more than a hundredth."""
    loading = read.plan.loading if read.plan else None
    curve = read.columns.curves.get("frequency")
    if loading is None or curve is None or not curve.measured or read.without_samples:
        return ()
    median = curve.statistics.median
    if not median < 0.99 * loading.frequency:
        return ()
    asked = Measure(loading.frequency, "Hz", "derived.frequency", 4)
    run = Measure(median, "Hz", "cycles.frequency.median", 4)
    return (("over the whole test", "", (run, " (median) in place of ", asked)),)


def _of_rig(read: RunRead) -> Iterator[Looked]:
    """Yield what the rig file tells: limits of the program alone, calibration out of date."""
    limits = read.table("rig", "actuator").get("limits")
    only: tuple[Row, ...] = ()
    if limits == "software only":
        said = Words(str(limits), "rig.actuator.limits")
        only = (("the whole test", "", said),)
    yield Looked("limits held by the program alone, not by the controller", only)
    yield Looked("calibration, verification or proof missing or out of date", _doubts(read))


def _doubts(read: RunRead) -> tuple[Row, ...]:
    """Return what was doubtful about a real rig on the day the test began."""
    plan = read.plan
    if plan is None or plan.rig.driver == SIMULATED or read.header.imported:
        return ()
    try:
        day = datetime.fromisoformat(read.header.started_utc).date()
    except ValueError:
        return ()
    return tuple(
        ("at the start", "", Words(doubt.text, f"derived.doubts.{index}"))
        for index, doubt in enumerate(plan_doubts(plan, day))
    )
