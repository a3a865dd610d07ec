"""Several live runs, a line each: where, which specimen on which rig, and whether it needs you."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from pathlib import Path

from rig.commands.folders import nearest
from rig.commands.screen import follower
from rig.commands.usage import typed
from rig.control.caller import LiveRun
from rig.errors import StorageError
from rig.monitor.lines import report_line


def lines_of(runs: Iterable[LiveRun], command: str) -> list[str]:
    """Return a line on each run, then what to type to name one to `command`."""
    told = [(nearest(Path(run.folder)), run) for run in runs]
    lines = [f"  {folder}: {_told(folder, run)}" for folder, run in told]
    first = typed(told[0][0])
    return [*lines, f"name the folder of one, such as: nightrig {command} {first}"]


def _told(folder: Path, run: LiveRun) -> str:
    told = run.told
    said = f"{told.get('specimen_id', '?')} on {told.get('rig', '?')}"
    with contextlib.suppress(StorageError):
        return f"{said} | {report_line(follower(folder).look())}"
    counted, run_out = told.get("cycles"), told.get("run_out")
    far = f" | {counted:,} of {run_out:,} cycles" if counted and run_out else ""
    return f"{said} | {told.get('state', 'does not answer')}{far}"
