"""What a protocol asks of a rig whose controller knows only what its rig file says."""

from __future__ import annotations

from typing import Final

from rig.protocol.document import Document
from rig.protocol.draft import Draft

OWN_LIMITS: Final = ("load", "stroke")
"""Channels whose limits are written to a controller."""


def check_demands(document: Document, draft: Draft) -> None:
    """Note stages and limits of a protocol that the rig's controller has no command for."""
    rig = draft.rig
    if rig is None or rig.wire is None or rig.wire.controller is None:
        return
    controller = rig.wire.controller
    for index, stage in enumerate(draft.stages):
        by_deflection = getattr(stage, "control", "") == "deflection"
        if by_deflection and "deflection" not in controller.actions:
            document.refuse(
                ("stage", index, "control"),
                f'the controller of rig {rig.name} has no command for "deflection"',
                'give control = "load", or add deflection to [controller.actions] of the rig file',
            )
    for name in OWN_LIMITS:
        known = not controller.limits or name in controller.limits
        if rig.actuator.limits == "controller" and name in draft.limits.fixed and not known:
            document.refuse(
                ("limits", name),
                f"the controller of rig {rig.name} has no limit of its own on {name}",
                "take it out, or name it in limits of [controller] of the rig file",
            )
