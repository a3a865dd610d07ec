"""A rig file without a protocol: what a look at a rig needs of a plan."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from rig.commands.files import find_rig, load, read_text

if TYPE_CHECKING:
    from rig.protocol.plan import Plan

CARRIER = "dry-short"
"""The shipped protocol that stands in: of a rig that is only looked at nothing of it is used, but
for the specimen in a simulated one."""


def load_rig_alone(rig: str | None) -> Plan:
    """Return a shipped plan on the rig of a file, the packaged simulated one where none is named.

    Raises `InputError` with every problem of the rig file.
    """
    plan = load(CARRIER, None)
    # Imported late, after `load` has seen to what pydantic would look for.
    from rig.protocol.load import load_rig

    return replace(plan, rig=load_rig(find_rig(rig), lambda path: read_text(path, rig=True)))
