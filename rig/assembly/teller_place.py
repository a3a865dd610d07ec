"""The place of a run's one teller: who has it, and who wants it."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Final

from rig.clock import Clock

LOCK: Final = "teller.lock"
HANDS_OVER: Final = 20.0
"""How long [s] a teller waits for the one before it to end."""


def has_teller(folder: Path) -> bool:
    """Tell whether a teller of a run lives, as far as its lock can be looked at."""
    try:
        handle = os.open(folder / LOCK, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False


class Place:
    """A lock in a run's folder, and in its file the runner of the teller that wants it last.

    Where the disk refuses, a teller goes on without: people are to hear of that disk.
    """

    def __init__(self, folder: Path, runner: int) -> None:
        self._wanted = str(runner).encode()
        self._handle = -1
        with contextlib.suppress(OSError):
            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
            self._handle = os.open(folder / LOCK, flags, 0o644)
            os.ftruncate(self._handle, 0)
            os.pwrite(self._handle, self._wanted, 0)

    @property
    def wanted(self) -> bool:
        """Whether the teller of another runner wants the place."""
        try:
            return os.pread(self._handle, 40, 0) not in (b"", self._wanted)
        except OSError:
            return False

    def locked(self) -> bool:
        """Take it; tell whether that was to be had."""
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except (OSError, ValueError):  # no such lock here, or no file to lock
            return True
        return True

    def close(self) -> None:
        """Give it up."""
        if self._handle >= 0:
            os.close(self._handle)


@contextlib.asynccontextmanager
async def place_of(
    folder: Path, runner: int, clock: Clock, tell: Callable[[str], None]
) -> AsyncIterator[Place]:
    """Be the one teller of a run: the one before it leaves once it sees that it is to."""
    place = Place(folder, runner)
    try:
        end = clock.now() + HANDS_OVER
        while not place.locked():
            if clock.now() > end:
                tell("the teller before this one does not end; it is not waited for any more")
                break
            await clock.sleep(0.1)
        yield place
    finally:
        place.close()
