"""The figure of a prediction, from what the command has worked out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from rig.mechanics.section import moment_curvature
from rig.report.predict_plot import Drawn, Marked, draw_prediction

if TYPE_CHECKING:
    from rig.commands.predict import Subject
    from rig.mechanics.debonding import Curve
    from rig.mechanics.prediction import Prediction
    from rig.report.debonded_length import Measured


def draw(
    subject: Subject,
    told: Prediction,
    curves: Sequence[Curve],
    runs: Sequence[Measured],
    path: Path,
) -> None:
    """Draw a prediction into a file. Raises StorageError where it cannot be written."""
    marks = [Marked("decompression", told.decompression), Marked("cracking", told.cracking)]
    loads = "no loads given"
    if told.upper is not None and told.lower is not None:
        marks.append(Marked("upper load", told.upper.moment))
        loads = f"{told.lower.load / 1e3:.4g} to {told.upper.load / 1e3:.4g} kN"
    named = f"{told.specimen.name}; " if told.specimen.name != subject.title else ""
    cyclic = subject.plan.cyclic if subject.plan else None
    draw_prediction(
        Drawn(
            title=subject.title,
            subtitle=f"{named}{told.exposure}; {loads}; a prediction, no promise",
            curves=curves,
            states=moment_curvature(told.specimen),
            moments=[*marks, Marked("ultimate", told.ultimate.moment)],
            lives=told.lives,
            run_out=cyclic.run_out if cyclic else None,
            load_span=told.specimen.section.load_spacing,
            measured=runs,
        ),
        path,
    )
