"""A rehearsal with its screen beside it: a thread that reads the record and draws.

The rehearsal waits for neither: a terminal or a pipe that takes nothing holds the thread alone.
"""

from __future__ import annotations

import io
import os
import sys
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

from rig.commands.screen import Shown, is_new, show_run
from rig.control.lock import folder_holder
from rig.errors import StorageError

if TYPE_CHECKING:
    from rig.assembly.result import Result

LOOKS_EVERY: Final = 0.02  # [s] until the record is there
ENDS_WITHIN: Final = 3.0
"""How long [s] a screen may take to end; one that nobody reads ends with the program."""


def rehearse_beside_screen(
    carry_out: Callable[[], Result], out: Path, shown: Shown, before: str | None = None
) -> Result:
    """Carry a rehearsal out and show it meanwhile on standard error. Raises as the rehearsal does.

    `before` is the stamp of the last status of a record that goes on, "" where it had none.
    """
    over = threading.Event()
    stream = _own_stream()
    screen = threading.Thread(target=_show, args=(out, over, stream, shown, before), daemon=True)
    if stream is not None:
        screen.start()
    try:
        return carry_out()
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


def _show(
    out: Path, over: threading.Event, stream: TextIO, shown: Shown, before: str | None
) -> None:
    def pause(seconds: float) -> None:
        over.wait(seconds)

    try:
        with stream:
            while not _begun(out, before) and not over.wait(LOOKS_EVERY):
                pass
            show_run(out, over.is_set, pause, replace(shown, stream=stream))
    except (OSError, StorageError):
        # A screen that cannot be shown is no reason to end; the result is printed at the end.
        return


def _begun(out: Path, before: str | None) -> bool:
    """Tell whether there is something to show: of a record that goes on, something new."""
    return folder_holder(out) is not None and (before is None or is_new(out, before))
