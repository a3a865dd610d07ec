"""The curves of a run as sections of its report."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from rig.report.curve_axes import Scale
from rig.report.curve_bending import deflection_block, energy_block, stiffness_block
from rig.report.curve_bond import length_block, opening_block, slip_block, strain_block
from rig.report.curve_load import load_blocks
from rig.report.curve_prestress import prestress_block, residual_block
from rig.report.curve_statics import statics_of
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
        residual_block(statics, columns, scale),
    )
    bond = (
        prestress_block(statics, recording.events(), plan, scale),
        slip_block(columns, scale),
        opening_block(columns, scale),
        strain_block(columns, scale),
        length_block(columns, plan, scale),
    )
    found = [
        ("loading", "Loading against target", load_blocks(columns, scale)),
        ("bending", "Deflection, stiffness and energy", _there(bending)),
        ("bond", "Prestress, slip, cracks and bond", _there(bond)),
    ]
    return tuple(Section(name, title, blocks) for name, title, blocks in found if blocks)


def _there(blocks: Iterable[Block | None]) -> tuple[Block, ...]:
    return tuple(block for block in blocks if block is not None)


def not_measured(recording: Recording, columns: Columns) -> tuple[tuple[Part, ...], ...]:
    """Return a sentence for each quantity of a report that this recording does not have."""
    return ()
