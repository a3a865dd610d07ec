"""Finishing a record on a disk that refuses or hangs: the rig is at rest and can wait a while."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, Final

from rig.errors import StorageError

AGAIN: Final = 2.0
"""How long after a refusal it is tried again [s]."""
WITHIN: Final = 600.0
"""How long it is tried [s]: time to walk to the computer and to make room; a rig that nobody
comes to is free for its next test after it, and a run's exit code is out the same night."""
LATE: Final = 10.0
"""How long the first answer may take before people are told [s]."""


class Finishing:
    """Tries `finish` until it is done, its time is over or somebody gives it up. Use `run` once.

    `finish` returns the path of run.h5 or raises StorageError, and can be called again then.
    `trouble` tells people in words what is waited for, "" as long as all is well.
    """

    def __init__(
        self,
        finish: Callable[[], Awaitable[Path]],
        *,
        again: float = AGAIN,
        within: float = WITHIN,
        late: float = LATE,
    ) -> None:
        self.trouble = ""
        self._finish = finish
        self._again, self._within, self._late = again, within, late
        self._by = ""
        self._given_up = asyncio.Event()

    def give_up(self, by: str) -> None:
        """Give up once there is trouble: what is well under way is only a moment from its end."""
        self._by = self._by or by
        if self.trouble:
            self._given_up.set()

    async def run(self) -> Path:
        """Return the path of run.h5. Raises StorageError if it was not to be had."""
        trying = asyncio.ensure_future(self._try())
        waiting = asyncio.ensure_future(self._given_up.wait())
        tasks: set[asyncio.Future[Any]] = {trying, waiting}
        late = asyncio.get_running_loop().call_later(
            self._late, self._troubled, f"no answer in {self._late:g} s; see whether it is gone"
        )
        try:
            await asyncio.wait(tasks, timeout=self._within, return_when=asyncio.FIRST_COMPLETED)
            if trying.done():
                return trying.result()
        finally:
            late.cancel()
            for task in tasks:
                task.cancel()
            await asyncio.wait(tasks)
        end = f"given up by {self._by}" if self._given_up.is_set() else "given up"
        raise StorageError(f"the record was not finished, {end}: {self.trouble}")

    async def _try(self) -> Path:
        while True:
            try:
                return await self._finish()
            except StorageError as error:
                self._troubled(str(error))
            await asyncio.sleep(self._again)

    def _troubled(self, text: str) -> None:
        self.trouble = f"the record waits for the disk: make room ({text})"
        if self._by:
            self._given_up.set()
