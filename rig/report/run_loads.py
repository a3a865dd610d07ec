"""What load a run asked for, in newtons and in the three measures of how hard that is."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

from rig.protocol.levels import levels_of
from rig.protocol.plan import Cyclic, Plan
from rig.protocol.residual import residual_stages
from rig.report.document import Facts, Paragraph, Section
from rig.report.measure import COUNT, Measure, Part, Words
from rig.report.run_method import method_blocks
from rig.report.run_parts import attribute, listed, of_column
from rig.report.run_reading import RunRead

Row = tuple[str, tuple[Part, ...]]

_AS_WRITTEN: Final = {
    "capacity": "Capacity, as written",
    "capacity_from": "Capacity, taken from",
    "upper": "Upper load, as written",
    "lower": "Lower load, as written",
    "frequency": "Frequency, as written",
    "waveform": "Waveform",
    "control": "Control",
}


def loads_section(read: RunRead) -> Section:
    """Return loads, level, frequency and how long it was to go on."""
    title = "Loads and life"
    written = tuple(_written(read))
    loading = read.plan.loading if read.plan else None
    if read.plan is None or loading is None:
        said = "No cyclic load was asked for."
        if read.plan is None:
            said = "The record keeps no protocol: what load was asked for is not known."
        if read.unread and read.header.texts.get("protocol"):
            said = "What load was asked for cannot be told from the texts of the record."
        facts = Facts((*written, *_life(read)))
        return Section("loads", title, (Paragraph((said,)), facts, *method_blocks(read)))
    rows = (
        *written,
        *_companions(read),
        *_loads(read.plan),
        *_measures(read.plan),
        *_asked(read),
        *_life(read),
    )
    return Section("loads", title, (Facts(rows), *method_blocks(read)))


def _written(read: RunRead) -> Iterator[Row]:
    loading = read.table("protocol", "loading")
    for key, name in _AS_WRITTEN.items():
        if key in loading:
            yield name, (Words(str(loading[key]), f"protocol.loading.{key}"),)


def _companions(read: RunRead) -> Iterator[Row]:
    """Yield what companions carried, whose mean is the capacity: how sure that is shows there."""
    source = str(read.table("protocol", "loading").get("capacity_from", ""))
    exposure, groups = source.rpartition(":")[2].strip(), read.table("series", "groups")
    broken = read.tables["series"].get("ultimate", [])
    there = [
        Words(str(one["load"]), f"series.ultimate.{place}.load")
        for place, one in enumerate(broken if isinstance(broken, list) else ())
        if "load" in one
        and one.get("valid", True)
        and not one.get("residual", False)
        and groups.get(one.get("group"), {}).get("exposure") == exposure
    ]
    if there:
        yield "Companions carried", listed(there)


def _loads(plan: Plan) -> Iterator[Row]:
    load = plan.loading
    if load is None:
        return
    yield "Capacity", (Measure(load.capacity, "N", "derived.capacity", 5),)
    yield "Upper load", (Measure(load.upper, "N", "derived.upper_load", 5),)
    yield "Lower load", (Measure(load.lower, "N", "derived.lower_load", 5),)
    ratio = Measure(load.lower / load.upper, "ratio", "derived.stress_ratio")
    yield "Lower over upper load (R)", (ratio,)
    yield "Load level", (Measure(load.upper / load.capacity, "%", "derived.level", 4),)
    yield "Frequency asked for", (Measure(load.frequency, "Hz", "derived.frequency"),)


def _measures(plan: Plan) -> Iterator[Row]:
    found = levels_of(plan)
    if found is None or math.isnan(found.concrete_max):
        yield "Stresses", ("mechanics cannot tell them: the section does not carry these loads",)
        return
    if plan.specimen.tendons:
        value = Measure(found.tendon_range, "Pa", "derived.tendon_range")
        yield "Stress range of the tendons", (value, ", by mechanics, before any wear")
    yield (
        "Concrete stress at the top over the strength of its file",
        (
            Measure(found.concrete_min, "ratio", "derived.concrete_min"),
            " to ",
            Measure(found.concrete_max, "ratio", "derived.concrete_max"),
            ", by mechanics, before any wear; in another moisture the strength is another",
        ),
    )


def _asked(read: RunRead) -> Iterator[Row]:
    stages = read.plan.stages if read.plan else ()
    for stage in stages:
        if isinstance(stage, Cyclic):
            value = Measure(stage.run_out, COUNT, "derived.run_out")
            yield "Run-out asked for", (value, " cycles")
            break
    if read.plan is not None and residual_stages(read.plan):
        yield "After a run-out", ("the specimen is broken slowly",)


def _life(read: RunRead) -> Iterator[Row]:
    if read.cyclic:
        yield "Life", (read.cycles, " counted cycles; outcome: ", *_outcome(read))
    run_out = read.plan.cyclic.run_out if read.plan and read.plan.cyclic else 0
    if run_out:
        share = Measure(read.recording.cycles / run_out, "%", "derived.share_of_run_out")
        yield "Share of the run-out", (share,)
    frequency = of_column(read, "frequency", "median", 4)
    if math.isfinite(frequency.value) and not read.without_samples:
        yield "Frequency as measured, median", (frequency,)
    if read.without_samples:
        yield "Frequency and test time", ("as the imported rows tell: a second each without times",)
    elif math.isfinite(read.recording.ended_time):
        value = Measure(read.recording.ended_time, "s", "attr.ended_time", 4)
        yield "Test time", (value, ", interruptions among it")


def _outcome(read: RunRead) -> tuple[Part, ...]:
    return (attribute(read, "outcome"),) if read.outcome else ("none",)
