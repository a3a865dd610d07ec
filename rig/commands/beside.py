"""A rehearsal with its screen beside it: a thread that reads the record and draws.

The rehearsal waits for neither: a terminal or a pipe that takes nothing holds the thread alone.
"""

from __future__ import annotations

import io
import os
import sys
import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from rig.commands.screen import Shown, show_run
from rig.control.lock import folder_holder
from rig.errors import StorageError

if TYPE_CHECKING:
    from rig.assembly.result import Result
    from rig.protocol.plan import Plan

LOOKS_EVERY: Final = 0.02  # [s] until the record is there
ENDS_WITHIN: Final = 3.0
"""How long [s] a screen may take to end; one that nobody reads ends with the program."""


def rehearse_beside_screen(plan: Plan, out: Path, seed: int, shown: Shown) -> Result:
    """Rehearse a plan and show it meanwhile on standard error. Raises as the rehearsal does."""
    from rig import assembly

    over = threading.Event()
    stream = _own_stream()
    screen = threading.Thread(target=_show, args=(out, over, stream, shown), daemon=True)
    if stream is not None:
        screen.start()
    try:
        return assembly.rehearse(plan, out, seed)
    finally:
        over.set()
        if stream is not None:
            screen.join(ENDS_WITHIN)


def _own_stream() -> TextIO | None:
    """Return standard error once more: a write that hangs there must not lock it for others."""
    try:
        handle = os.dup(sys.stderr.fileno())
    except (AttributeError, OSError, io.UnsupportedOperation):
        return None
    encoding = getattr(sys.stderr, "encoding", None)
    return os.fdopen(handle, "w", encoding=encoding, errors="backslashreplace")


def _show(out: Path, over: threading.Event, stream: TextIO, shown: Shown) -> None:
    def pause(seconds: float) -> None:
        over.wait(seconds)

    try:
        with stream:
            while folder_holder(out) is None and not over.wait(LOOKS_EVERY):
                pass
            show_run(out, over.is_set, pause, replace(shown, stream=stream))
    except (OSError, StorageError):
        # A screen that cannot be shown is no reason to end; the result is printed at the end.
        return
