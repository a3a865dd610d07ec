"""Ctrl-C, the system's request to end, or a terminal that is closed, while something is on."""

from __future__ import annotations

import asyncio
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from rig.errors import NotBegun

SIGNALS: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
"""What ends a program while something is on: Ctrl-C, the system, a terminal that is closed."""


@dataclass(slots=True)
class Ending:
    """Whether a signal has asked to end."""

    came: bool = False


@contextmanager
def ends_by_signal(words: str) -> Iterator[Ending]:
    """Have the first signal to end break off what is under way, so that it is put right first.

    Later ones change nothing: what puts it right must not be broken off. Raises NotBegun with
    `words` where the block ends by it.
    """
    task, loop = asyncio.current_task(), asyncio.get_running_loop()
    ending = Ending()
    if task is None or threading.current_thread() is not threading.main_thread():
        yield ending
        return

    def end() -> None:
        if not ending.came:
            ending.came = True
            task.cancel()

    for number in SIGNALS:
        loop.add_signal_handler(number, end)
    try:
        yield ending
    except asyncio.CancelledError:
        if ending.came:
            raise NotBegun(words) from None
        raise
    finally:
        for number in SIGNALS:
            loop.remove_signal_handler(number)
