"""What a report tells of cracks: maps, growth, totals and every reading, or that there is none."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Final

from rig.errors import InputError
from rig.mechanics.specimen import Specimen
from rig.protocol.load import load_specimen
from rig.protocol.plan import Plan
from rig.record.cracks import read_cracks
from rig.replay.recording import Recording, open_recording
from rig.report.crack_curves import growth_figure, totals_figure
from rig.report.crack_growth import QUANTITIES, CrackGrowth, growth_of
from rig.report.crack_map import last_figure, strip_figure, strips
from rig.report.crack_shown import NONE, growth_told, map_told, strip_told, totals_told
from rig.report.crack_tables import (
    corrected_table,
    fastest,
    rates_table,
    readings_table,
    totals_table,
)
from rig.report.crack_told import joined
from rig.report.document import Block, Drawn, Listed, Paragraph
from rig.report.measure import COUNT, Measure, Part, count_of

LONGEST: Final = 400
"""Most rows of a table: a page with every reading of a long log would be too large to open."""
_NAMED: Final = 8
"""Most inspections that are named in a sentence."""
_TITLES: Final = {
    False: "Map of cracks at the last inspection",
    True: "Map of cracks after the end",
}
PLACED: Final = "Places are along the span from the left support, heights above the soffit."
LOADED: Final = (
    "At an inspection the specimen stands at the lower load, after the end without load: cracks "
    f"are wider at the upper load than the widths here. {PLACED}"
)
IMPORTED: Final = f"Under what load the widths were read is not in an imported record. {PLACED}"


def crack_blocks(source: Recording | Path, plan: Plan | None = None) -> tuple[Block, ...]:
    """Return what a report tells of the cracks of a run, from its recording, folder or run.h5.

    The map needs the size of the specimen, of the `plan` or of the file in the record. Raises
    StorageError.
    """
    if isinstance(source, Path):
        with open_recording(source) as recording:
            return crack_blocks(recording, plan)
    inspected = [int(row[1]) for row in source.entries("inspections")]
    growth = growth_of(read_cracks(source), inspected, source.cycles)
    specimen = plan.specimen if plan is not None else _specimen(source)
    return crack_sections(growth, specimen, IMPORTED if source.header.imported else LOADED)


def _specimen(recording: Recording) -> Specimen | None:
    text = recording.header.texts.get("specimen", "")
    try:
        return load_specimen("specimen", lambda _: text) if text else None
    except InputError:
        return None


def crack_sections(
    growth: CrackGrowth, specimen: Specimen | None, how: str = LOADED
) -> tuple[Block, ...]:
    """Return what a report tells of cracks; without a specimen no map, and that is said.

    `how` says how widths and places were read.
    """
    if not growth.inspections:
        return (Paragraph((NONE, *_unmapped(growth))), *_corrected(growth))
    return (
        Paragraph((how, *_unmapped(growth))),
        *_maps(growth, specimen),
        *(block for quantity in QUANTITIES for block in _growth(growth, quantity)),
        _totals(growth),
        *_tables(growth),
        *_corrected(growth),
    )


def _unmapped(growth: CrackGrowth) -> tuple[Part, ...]:
    """Say at which inspections no crack was read: nobody looked, or there was none to see."""
    count = len(growth.unmapped)
    if not count:
        return ()
    shown = growth.unmapped[:_NAMED]
    cycles = ((Measure(cycle, COUNT, f"cracks.unmapped.{n}"),) for n, cycle in enumerate(shown))
    return (
        " At ",
        *count_of(count, "inspection", "cracks.unmapped.count"),
        " no crack was read, at ",
        *joined(cycles),
        " cycles" if count == len(shown) else " cycles and later ones",
        ": the record does not say whether nobody looked or there was none.",
    )


def _maps(growth: CrackGrowth, specimen: Specimen | None) -> tuple[Block, ...]:
    if specimen is None:
        said = "No map is drawn: the record does not keep the size of the specimen."
        return (Paragraph((said,)),)
    of_test = tuple(at for at in growth.inspections if not at.after_end)
    large = [_map(growth, specimen, "crack-map", _TITLES[growth.inspections[-1].after_end])]
    if of_test and len(of_test) < len(growth.inspections):
        # After the end few are read again, and what was passed over is drawn without its width.
        before = replace(growth, inspections=of_test)
        large.insert(0, _map(before, specimen, "crack-map-of-test", _TITLES[False]))
    earlier = replace(growth, inspections=of_test[:-1])
    pages = strips(earlier, specimen) if of_test[1:] else ()
    return (
        *large,
        *(
            Drawn(
                f"crack-strip-{n}",
                "Maps of cracks at earlier inspections" + (", continued" if n > 1 else ""),
                partial(strip_figure, earlier, specimen, page),
                strip_told(page),
            )
            for n, page in enumerate(pages, start=1)
        ),
    )


def _map(growth: CrackGrowth, specimen: Specimen, name: str, title: str) -> Drawn:
    return Drawn(name, title, partial(last_figure, growth, specimen), map_told(growth))


def _growth(growth: CrackGrowth, quantity: str) -> tuple[Block, ...]:
    marks = (mark for at in growth.inspections for mark in at.marks)
    if all(math.isnan(getattr(mark.now, quantity)) for mark in marks):
        return (Paragraph((f"The {quantity} of no crack was read.",)),)
    if len(growth.inspections) == 1:
        told = f"The {quantity} of cracks was read at one inspection: no growth is known."
        return (Paragraph((told,)),)
    figure = Drawn(
        f"crack-{quantity}s",
        f"{quantity.capitalize()} of cracks over cycles",
        partial(growth_figure, growth, quantity),
        growth_told(growth, quantity),
    )
    return (figure,)


def _totals(growth: CrackGrowth) -> Block:
    told = totals_told(growth)
    lengths = (total.length for at in growth.inspections for total in at.totals if total.marks)
    if len(growth.inspections) == 1 or all(math.isnan(length) for length in lengths):
        return Paragraph(told.sentence)
    title = "Total length of cracks by direction, over cycles"
    return Drawn("crack-totals", title, partial(totals_figure, growth), told)


def _tables(growth: CrackGrowth) -> tuple[Block, ...]:
    marks = sum(len(at.marks) for at in growth.inspections)
    read = Listed(
        ("Every crack at every inspection", *_more(marks, "cracks.readings")),
        readings_table(growth, LONGEST),
        folded=True,
    )
    totals = Listed(("Totals by direction",), totals_table(growth), folded=True)
    return read, *(block for name in QUANTITIES for block in _rates(growth, name)), totals


def _rates(growth: CrackGrowth, quantity: str) -> tuple[Block, ...]:
    rates = fastest(rate for rate in growth.rates if rate.quantity == quantity)
    if not rates:
        return ()
    caption = f"Growth in {quantity} between readings, the fastest first"
    more = _more(len(rates), f"cracks.rate.{quantity}.count")
    return (Listed((caption, *more), rates_table(rates[:LONGEST]), folded=True),)


def _more(rows: int, key: str) -> tuple[Part, ...]:
    if rows <= LONGEST:
        return ()
    return (
        ": ",
        Measure(LONGEST, COUNT, "constant.LONGEST"),
        " rows of ",
        Measure(rows, COUNT, key),
        ", all of them follow from /cracks in run.h5",
    )


def _corrected(growth: CrackGrowth) -> tuple[Block, ...]:
    table = corrected_table(growth)
    if not table.rows:
        return ()
    return (Listed(("Readings that were corrected or withdrawn: nothing is erased",), table),)
