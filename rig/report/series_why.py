"""Why water might shorten a life: what a series has on bond, concrete and rust, and what it lacks.

No comparison of lives tells causes apart. What speaks of each is set side by side here, dry beside
wet, and what would decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from rig.protocol.series import RUST
from rig.report.document import Block, Facts, Listed, Paragraph, Section
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Words
from rig.report.series_numbers import UNTOLD, Numbers
from rig.report.series_runs import NOTED, Sources

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from rig.report.series_measured import Measured

UNMEASURED: Final = "not measured"
LONG: Final = 30
"""Runs from which on their table is closed on screen; paper has it whole."""
_BOND, _CRUSHED, _BROKEN = "bond or anchorage slip", "concrete crushing", "tendon fracture"


@dataclass(frozen=True, slots=True)
class _Side:
    """What the lives that count have on one side, "dry" or "wet".

    `modes` are of its failures, None where nobody told; `slipped` of `slip_measured` runs reached
    the slip at which it is noted; `kept` are the shares of the effective prestress left at the last
    slow cycle; `rust` was seen on the first of so many specimens; `wet` is for how long each was
    [s].
    """

    name: str
    groups: tuple[str, ...]
    modes: tuple[str | None, ...]
    slipped: int
    slip_measured: int
    kept: tuple[float, ...]
    rust: tuple[int, int]
    wet: tuple[float, ...]

    def measure(self, field: str, value: float, unit: str = COUNT) -> Measure:
        return Measure(value, unit, f"why.{self.name}.{field}", 3, UNMEASURED)

    def ended_by(self, mode: str) -> tuple[Part, ...]:
        if not self.modes:
            return ("none failed",)
        told = [each for each in self.modes if each]
        if not told:
            return ("mode not told",)
        field = mode.replace(" ", "_")
        return (
            self.measure(f"modes.{field}", told.count(mode)),
            " of ",
            self.measure("modes_told", len(told)),
        )


def why_section(numbers: Numbers, sources: Sources) -> Section | None:
    """Return the section, None where no wet group has a life that counts."""
    wet, dry = _side(numbers, sources, "wet"), _side(numbers, sources, "dry")
    if not wet.groups:
        return None
    blocks: list[Block] = [
        Paragraph(
            (
                "Three ways in which water could shorten a life, and what this series has on each. "
                "Lives alone do not tell them apart, and what nobody measured speaks for none.",
            )
        ),
        Facts(
            (
                ("Lost bond", _of_bond(dry, wet)),
                ("It would be decided by", (_DECIDED["bond"],)),
                ("Weaker wet concrete", _of_concrete(numbers, dry, wet)),
                ("It would be decided by", (_DECIDED["concrete"],)),
                ("Rust", _of_rust(dry, wet)),
                ("It would be decided by", (_DECIDED["rust"],)),
            )
        ),
    ]
    rows = tuple(_rows(numbers, sources))
    if rows:
        caption = ("What each run measured, and what was found on it after the end",)
        blocks.append(Listed(caption, Table(_HEADS, rows), folded=len(rows) > LONG))
    else:
        words = "No life names a run that can be read: nothing is known of slip and prestress."
        blocks.append(Paragraph((words,)))
    return Section("why", "Bond, concrete or rust", tuple(blocks))


_HEADS: Final = (
    *("specimen", "group", "mode", "end slip", "slipped from cycle"),
    *("prestress at first", "prestress at last", "wires broken", "rust", "counts"),
)
_DECIDED: Final = {
    "bond": (
        "end slip and effective prestress followed on every specimen, dry ones to the same counts; "
        "and a wet one whose tendons cannot slip at their ends"
    ),
    "concrete": (
        "companions as wet as the specimens and broken at their age; cylinders of each moisture; "
        "and wet lives at the load that brings concrete to the level of the dry ones"
    ),
    "rust": (
        "a look at the tendons of every specimen, run-outs too; wires looked at where they broke; "
        "and specimens as wet for as long but cycled less, or cycled slower"
    ),
}


def _side(numbers: Numbers, sources: Sources, name: str) -> _Side:
    lives = [
        entry
        for entry in numbers.value("specimens")
        if entry["kind"] == "life" and entry["counted"] and _is_wet(entry) == (name == "wet")
    ]
    runs = [run for entry in lives if (run := sources.measured(entry["run"])) is not None]
    kept = [r.prestress_last / r.prestress_first for r in runs if r.prestress_first > 0.0]
    groups = tuple(dict.fromkeys(entry["group"] for entry in lives))
    rust = [
        each
        for each in numbers.value("observations")
        if each["looked_for"] == RUST and each["group"] in groups
    ]
    return _Side(
        name,
        groups,
        modes=tuple(entry["mode"] for entry in lives if entry["outcome"] == "failure"),
        slipped=sum(run.slip_from > 0 for run in runs),
        slip_measured=sum(not math.isnan(run.slip) for run in runs),
        kept=tuple(kept),
        rust=(sum(each["seen"] for each in rust), sum(each["looked"] for each in rust)),
        wet=tuple(entry["wet_s"] for entry in lives if entry["wet_s"]),
    )


def _is_wet(entry: Any) -> bool:
    return entry["exposure"] in ("spray", "submerged")


def _of_bond(dry: _Side, wet: _Side) -> tuple[Part, ...]:
    return (
        "failures by slip: ",
        *_both(dry, wet, lambda side: side.ended_by(_BOND)),
        "; runs with an end slip of ",
        Measure(NOTED, "m", "constant.slip_mark"),
        " or more: ",
        *_both(dry, wet, _slipped),
        "; effective prestress left, last slow cycle over first: ",
        *_both(dry, wet, lambda side: _ends(side, "prestress_left", side.kept, "%")),
    )


def _slipped(side: _Side) -> tuple[Part, ...]:
    if not side.slip_measured:
        return (UNMEASURED,)
    of = side.measure("slip_measured", side.slip_measured)
    return (side.measure("slipped", side.slipped), " of ", of)


def _of_concrete(numbers: Numbers, dry: _Side, wet: _Side) -> tuple[Part, ...]:
    return (
        "failures by crushing: ",
        *_both(dry, wet, lambda side: side.ended_by(_CRUSHED)),
        "; mean ultimate load of companions: ",
        *_joined([_loads(numbers, name) for name in (*dry.groups, *wet.groups)]),
        "; and what is left of water at equal load and concrete level, above",
    )


def _loads(numbers: Numbers, name: str) -> tuple[Part, ...]:
    i = numbers.value("group_names").index(name)
    group = numbers.words("group_names", i, kind="name")
    at = ("ultimates", name)
    if not numbers.value(*at, "n"):
        return (group, " none")
    mean = numbers.measure(*at, "mean_N", unit="N", digits=4)
    return (group, " ", mean, " (", numbers.measure(*at, "n"), ")")


def _of_rust(dry: _Side, wet: _Side) -> tuple[Part, ...]:
    return (
        "rust seen: ",
        *_both(dry, wet, _rusty),
        "; failures by fracture of a tendon: ",
        *_both(dry, wet, lambda side: side.ended_by(_BROKEN)),
        "; wet for ",
        *_ends(wet, "wet", wet.wet, "s", UNTOLD),
    )


def _rusty(side: _Side) -> tuple[Part, ...]:
    seen, looked = side.rust
    if not looked:
        return ("nobody looked",)
    return (side.measure("rust_seen", seen), " of ", side.measure("rust_looked", looked))


def _ends(
    side: _Side, field: str, values: Sequence[float], unit: str, none: str = UNMEASURED
) -> tuple[Part, ...]:
    if not values:
        return (none,)
    low, high = (
        side.measure(f"{field}.{end}", value, unit)
        for end, value in (("min", min(values)), ("max", max(values)))
    )
    return (low,) if low.text == high.text else (low, " to ", high)


def _both(dry: _Side, wet: _Side, of: Callable[[_Side], tuple[Part, ...]]) -> tuple[Part, ...]:
    """Return what is told of the wet side, and of the dry one where that has a life."""
    return ("wet ", *of(wet), ", dry ", *(of(dry) if dry.groups else ("no life",)))


def _joined(rows: Sequence[tuple[Part, ...]]) -> tuple[Part, ...]:
    return tuple(part for row in rows for part in (", ", *row))[1:]


def _rows(numbers: Numbers, sources: Sources) -> Iterator[tuple[Cell, ...]]:
    for i, entry in enumerate(numbers.value("specimens")):
        measured = sources.measured(entry["run"])
        if entry["kind"] == "life" and measured is not None:
            name, group, mode = (
                numbers.words("specimens", i, field, kind="name")
                for field in ("specimen", "group", "mode")
            )
            ended = "none, ran out" if entry["outcome"] == "run-out" else mode
            run = f"runs.{sources.place(entry['run'])}"
            counts = "yes" if entry["counted"] else "no, left out"
            yield (name, group, ended, *_cells(measured, run), counts)


def _cells(of: Measured, run: str) -> Iterator[Cell]:
    yield Measure(of.slip, "m", f"{run}.slip", 3, UNMEASURED)
    noted = float(of.slip_from) if of.slip_from else math.nan
    blank = UNMEASURED if math.isnan(of.slip) else "none"
    yield Measure(noted, COUNT, f"{run}.slip_from", blank=blank)
    for end, value in (("first", of.prestress_first), ("last", of.prestress_last)):
        yield Measure(value, "Pa", f"{run}.prestress_{end}", 4, UNMEASURED)
    wires = of.found.wires_broken
    yield Measure(math.nan if wires is None else wires, COUNT, f"{run}.wires_broken", blank=UNTOLD)
    yield Words(of.found.rust, f"{run}.rust") if of.found.rust else UNTOLD
