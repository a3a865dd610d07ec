"""The set-up sheet that `check` writes, with the limits of the controller where they are asked."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

from rig.clock import SystemClock
from rig.commands.files import SIMULATED
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.protocol.plan import Bounds, Plan


def write_setup_sheet(plan: Plan, path: Path, *, reads: bool) -> None:
    """Write the sheet of a plan as PDF; with `reads` the controller is asked first.

    Raises InputError for a name that is none of a PDF and for a rig without a controller to ask,
    DeviceError where it does not answer, StorageError where the sheet cannot be written.
    """
    if path.suffix.lower() != ".pdf":
        raise InputError(f"--sheet: {path} is no name of a PDF; give one such as set-up.pdf")
    clock = SystemClock()
    read_back = _limits(plan, clock) if reads else None
    # Imported late: what draws takes longest.
    from rig.control.hours import local
    from rig.report.setup_sheet import write_sheet

    write_sheet(plan, path, local(plan.hours, clock.utc()).date(), read_back)


def _limits(plan: Plan, clock: SystemClock) -> dict[str, Bounds]:
    if plan.rig.driver == SIMULATED:
        raise InputError(
            "--read-limits: the simulated rig has no controller before it runs; "
            "name a rig file with lines"
        )
    from rig.assembly.limits_back import limits_back

    return asyncio.run(limits_back(plan, clock))
