"""What a protocol usually names: a line to paste for each thing it left out.

The figures are common practice without a source.
"""

from __future__ import annotations

import math

from rig.protocol.document import Document
from rig.protocol.draft import Draft
from rig.protocol.limit_tables import USUAL_LEARNED
from rig.protocol.people_tables import USUAL_ATTENDANCE
from rig.protocol.plan import Loading
from rig.protocol.position import Path
from rig.protocol.rig_file import SIMULATED

USUAL_CRITERIA = {
    "stiffness_loss": 'stiffness_loss = { warn = "20 %", stop = "40 %", confirm = "100 cycles" }',
    "stiffness_step": 'stiffness_step = { pause = "5 %", within = "20 cycles" }',
    "residual_growth": 'residual_growth = { warn = "50 %" }',
    "load_short": 'load_short = { stop = "5 %", confirm = "5 cycles" }',
}
"""Criteria as a line to paste; common practice, no source."""

_OVERLOAD = 1.05


def usual_load(loading: Loading | None) -> str:
    """Return the usual fixed limit on load as a line to paste: 105 % of the upper load."""
    upper = 92.4e3 if loading is None or math.isnan(loading.upper) else loading.upper
    return f'load = ["-2 kN", "{upper * _OVERLOAD / 1e3:.3g} kN"]'


def _usual_limits(loading: Loading | None) -> dict[str, str]:
    """Return the fixed limits every cyclic test wants."""
    return {"load": usual_load(loading), "deflection": 'deflection = ["-0.5 mm", "4 mm"]'}


def warn_unnamed(document: Document, draft: Draft) -> None:
    """Warn of what is not watched or not armed because nothing names it."""
    if draft.rig and not any(c.name.startswith("support_") for c in draft.rig.sampled):
        document.warn(
            (),
            f"rig {draft.rig.name} has no sensor at a support",
            "stiffness will include how far the supports give way",
        )
    _unattended(document, draft)
    if draft.spray and not draft.spray.faces:
        document.warn(
            ("spray",),
            "does not name the sprayed faces",
            'add faces = ["bottom", "left side"], as the nozzles are aimed',
        )
    if not draft.cyclic:
        return
    if "failure" not in draft.wrong:
        armed = {name for name in USUAL_CRITERIA if getattr(draft.failure, name) is not None}
        _unnamed(document, ("failure",), USUAL_CRITERIA, armed)
    if "limits" not in draft.wrong:
        learned = draft.limits.learned
        values = {
            "load": learned.load_low,
            "deflection": learned.deflection,
            "stroke": learned.stroke_beyond,
        }
        armed = {name for name, value in values.items() if value is not None}
        _unnamed(document, ("limits",), _usual_limits(draft.loading), set(draft.limits.fixed))
        _unnamed(document, ("limits", "cyclic"), USUAL_LEARNED, armed)


def _unattended(document: Document, draft: Draft) -> None:
    missing = draft.attendance is None and "attendance" not in draft.wrong
    if missing and draft.rig and draft.rig.driver != SIMULATED:
        document.warn(
            (),
            "nobody need look at the test after a start",
            f"add [attendance]; usual is {USUAL_ATTENDANCE}",
        )


def _unnamed(document: Document, path: Path, usual: dict[str, str], armed: set[str]) -> None:
    for name, paste in usual.items():
        if name not in armed:
            document.warn(path, f"{name} is left out, so nothing watches it", f"usual is {paste}")
