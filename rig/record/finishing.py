"""Bringing a record to its end on a disk that refuses or hangs: the rig is at rest and can wait."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, Final, Generic, TypeVar

from rig.errors import StorageError

AGAIN: Final = 2.0
"""How long after a refusal it is tried again [s]."""
WITHIN: Final = 600.0
"""How long it is tried [s]: time to walk to the computer and to make room; a rig that nobody
comes to is free for its next test after it, and a run's exit code is out the same night."""
LATE: Final = 10.0
"""How long the first answer may take before people are told [s]."""

T = TypeVar("T")


class Finishing(Generic[T]):
    """Tries something until it is done, its time is over or somebody gives it up. `run` it once.

    `attempt` returns or raises StorageError, and can be called again then. `trouble` tells people
    in words what is waited for, "" as long as all is well; `told` is the trouble there was before.
    """

    def __init__(
        self,
        attempt: Callable[[], Awaitable[T]],
        *,
        told: str = "",
        again: float = AGAIN,
        within: float = WITHIN,
        late: float = LATE,
    ) -> None:
        self.trouble = ""
        self._attempt = attempt
        self._again, self._within, self._late = again, within, late
        self._by = ""
        self._given_up = asyncio.Event()
        if told:
            self._troubled(told)

    def give_up(self, by: str) -> None:
        """Give up once there is trouble: what is well under way is only a moment from its end."""
        self._by = self._by or by
        if self.trouble:
            self._given_up.set()

    async def run(self) -> T:
        """Return what the attempt returned. Raises StorageError if it was not to be had."""
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
        end = f"given up by {self._by}" if self._by else f"given up after {self._within:g} s"
        raise StorageError(f"{end}: {self.trouble}")

    async def _try(self) -> T:
        while True:
            try:
                return await self._attempt()
            except StorageError as error:
                self._troubled(str(error))
            await asyncio.sleep(self._again)

    def _troubled(self, text: str) -> None:
        self.trouble = f"the record waits for the disk, make room: {text}"
        if self._by:
            self._given_up.set()
