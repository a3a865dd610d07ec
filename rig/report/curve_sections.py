"""The curves of a run as sections of its report."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

import numpy as np

from rig.report.curve_axes import Scale
from rig.report.curve_bending import deflection_block, energy_block, stiffness_block
from rig.report.curve_bond import length_block, opening_block, slip_block, strain_block
from rig.report.curve_columns import of_family
from rig.report.curve_conditions import TEMPERATURES, conditions_block, conditions_of
from rig.report.curve_kept import loops_of, moments_of
from rig.report.curve_load import load_blocks
from rig.report.curve_loops import highest_of, loops_block, statics_block, ultimate_block
from rig.report.curve_prestress import prestress_block, residual_block
from rig.report.curve_statics import deflection_step, statics_of
from rig.report.curve_stop import stop_block
from rig.report.document import Block, Section
from rig.report.measure import Part

if TYPE_CHECKING:
    from rig.protocol.plan import Plan
    from rig.replay.recording import Recording
    from rig.report.curve_columns import Columns


def curve_sections(
    recording: Recording, plan: Plan | None, columns: Columns
) -> tuple[Section, ...]:
    """Return the sections of curves that a recording gives; `columns` are those of it."""
    scale = Scale(columns.rows, "life" if recording.outcome == "failure" else "the cycles run")
    statics = statics_of(recording)
    bending = (
        deflection_block(columns, scale),
        stiffness_block(columns, plan, scale, statics),
        energy_block(columns, scale),
        residual_block(statics, columns, scale, deflection_step(recording.header.channels)),
    )
    bond = (
        prestress_block(statics, recording.events(), plan, scale),
        slip_block(columns, scale),
        opening_block(columns, scale),
        strain_block(columns, scale),
        length_block(columns, plan, scale),
    )
    after = recording.residual
    broken = recording.outcome == "ultimate" or after is not None
    named = recording.outcome == "ultimate" or (after is not None and after.outcome == "ultimate")
    highest = highest_of(statics) if broken else None
    loops = (
        loops_block(loops_of(recording, columns.rows)),
        ultimate_block(highest, uncracked=not columns.rows, named=named) if highest else None,
        statics_block(statics, highest),
    )
    found = [
        ("loading", "Loading against target", load_blocks(columns, scale)),
        ("bending", "Deflection, stiffness and energy", _there(bending)),
        ("bond", "Prestress, slip, cracks and bond", _there(bond)),
        ("loops", "Loops and slow loadings", _there(loops)),
        (
            "conditions",
            "Temperatures and water over time",
            _there([conditions_block(conditions_of(recording), columns)]),
        ),
        ("last-minute", "The last minute", _there([stop_block(moments_of(recording))])),
    ]
    return tuple(Section(name, title, blocks) for name, title, blocks in found if blocks)


def _there(blocks: Iterable[Block | None]) -> tuple[Block, ...]:
    return tuple(block for block in blocks if block is not None)


def not_measured(recording: Recording, columns: Columns) -> tuple[tuple[Part, ...], ...]:
    """Return a sentence for each quantity of a report that this recording does not have."""
    cycled = columns.rows > 0
    names = {name.rpartition("_")[0] for name in columns.curves if columns.has(name)}
    slow = {name for name, found in columns.slow.items() if found.count}
    found: list[tuple[Part, ...]] = []
    if not cycled:
        found.append(("No cycle was counted: there are no curves over cycles.",))
    for there, words in _wanted(columns, names) if cycled else ():
        if not there:
            found.append((f"Not measured: {words}.",))
    if not any(np.isfinite(s.reopening_load) for s in recording.static()):
        found.append(("No static check shows where cracks re-open: no effective prestress.",))
    found += [
        (f"Not measured: temperature of the {words}.",)
        for name, words in TEMPERATURES.items()
        if name not in slow
    ]
    if cycled and not recording.stretches():
        found.append(("No stretch was kept sample by sample: no loops, and no last minute.",))
    return tuple(found)


def _wanted(columns: Columns, names: set[str]) -> Iterator[tuple[bool, str]]:
    yield "load" in names, "the load"
    yield "deflection" in names, "net deflection"
    yield columns.has("stiffness"), "stiffness"
    yield columns.has("energy"), "the energy of a cycle"
    yield any(of_family(name, ("end_slip_",)) for name in names), "slip of the tendons' ends"
    yield "crack_opening" in names, "crack opening, and so no debonded length is estimated"
    yield any(of_family(name, ("strain_",)) for name in names), "strain of the tendons"
