"""How good the data of a run are: flags, gaps, what was not judged, and the state of the file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from rig.replay.dictionary import FLAGS
from rig.report.document import Facts, Listed, Section
from rig.report.measure import COUNT, Cell, Measure, Part, Table, Words
from rig.report.run_parts import of_column
from rig.report.run_reading import RunRead

HEADS: Final = ("flag", "what it means", "counted cycles", "build-up cycles")

Row = tuple[str, tuple[Part, ...]]


def quality_section(read: RunRead) -> Section:
    """Return what is known of the quality of the data."""
    facts = Facts((*(_of_cycles(read) if read.cyclic else ()), *_facts(read)))
    if not read.cyclic:
        return Section("data-quality", "Data quality", (facts,))
    caption = ("Flags of cycles: up to the verdict, and while the amplitude grew",)
    table = Table(HEADS, tuple(_flags(read)))
    return Section("data-quality", "Data quality", (Listed(caption, table), facts))


def _flags(read: RunRead) -> Iterator[tuple[Cell, ...]]:
    for flag, meaning in FLAGS.items():
        name = str(flag.name).lower().replace("_", "-")
        if name == "after-end":
            continue
        cycles, build_up = (
            Measure(_count(counts, name), COUNT, f"{kind}.flags.{name}.count")
            for kind, counts in (
                ("cycles", read.columns.flags),
                ("build_up", read.columns.build_up_flags),
            )
        )
        yield name, Words(meaning, f"flags.{name}.meaning"), cycles, build_up


def _count(counts: Mapping[str, int], name: str) -> int:
    return counts.get(name, 0)


def _of_cycles(read: RunRead) -> Iterator[Row]:
    columns = read.columns
    yield "Cycles up to the verdict", (Measure(columns.rows, COUNT, "derived.rows.cycles"),)
    after = Measure(columns.after_end, COUNT, "derived.after_end")
    yield "Cycles after the verdict", (after, ", recorded and flagged, counted nowhere here")
    build_up = Measure(columns.build_up_rows, COUNT, "derived.rows.build_up")
    yield "Build-up cycles", (build_up, ", kept apart, with their own numbers")
    not_judged = Measure(_count(columns.flags, "long-gap"), COUNT, "cycles.flags.long-gap.count")
    yield "Cycles not judged", (not_judged,)


def _facts(read: RunRead) -> Iterator[Row]:
    yield from _samples(read)
    yield "Longest interruption", (_longest(read),)
    yield from _empty(read)
    index = len(read.recording.stretches())
    yield "Stretches kept sample by sample", (Measure(index, COUNT, "full_rate.count"),)
    yield "State of run.h5", read.whole.said


def _samples(read: RunRead) -> Iterator[Row]:
    if read.without_samples:
        yield "Samples", ("none: rows of cycles were imported",)
        return
    yield "Samples a second", (Measure(read.header.rate, "Hz", "attr.rate", 5),)
    frequency = of_column(read, "frequency", "median")
    if frequency.value > 0:
        samples = read.header.rate / frequency.value
        yield "Samples a cycle", (Measure(samples, "ratio", "derived.samples_a_cycle"),)


def _longest(read: RunRead) -> Part:
    rows = read.rows("interruptions")
    if not rows:
        return "none is recorded"
    index = max(range(len(rows)), key=lambda i: rows[i][2])
    return Measure(rows[index][2], "s", f"interruptions.{index}.duration", 4)


def _empty(read: RunRead) -> Iterator[Row]:
    """Yield channels that have no value in some of the cycles, or in none."""
    if not read.columns.rows:
        return
    found: list[Part] = []
    for name in read.header.sampled:
        curve = read.columns.curves.get(f"{name}_max")
        if curve is None or not curve.statistics.missing:
            continue
        missing = Measure(curve.statistics.missing, COUNT, f"derived.missing.{name}_max")
        part = Words(name, f"channel.{name}", "name")
        found += ["; " if found else "", part, " in ", missing, " cycles"]
    for name, slow in read.columns.slow.items():
        if slow.missing:
            missing = Measure(slow.missing, COUNT, f"slow.{name}.missing")
            part = Words(name, f"channel.{name}", "name")
            found += ["; " if found else "", part, " in ", missing, " readings"]
    yield "Channels without a value", tuple(found) or ("none",)
