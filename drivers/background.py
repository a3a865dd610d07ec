"""What drivers do beside the conductor: asking devices over and over, until the rig is closed."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Sequence


class Background:
    """Jobs that run until `close`; one that fails ends all and is told by `trouble`.

    They live in a task of their own: a group in the caller's task would end the caller with them,
    in the middle of a stop.
    """

    def __init__(self, jobs: Sequence[Callable[[], Awaitable[None]]]) -> None:
        self._jobs = jobs
        self._task: asyncio.Future[None] | None = None

    def start(self) -> None:
        """Begin the jobs in the running event loop."""
        self._task = asyncio.ensure_future(self._all())

    @property
    def trouble(self) -> str:
        """Why the jobs have ended by themselves, "" while they run."""
        task = self._task
        if task is None or not task.done() or task.cancelled():
            return ""
        error = task.exception()
        return f"{type(error).__name__}: {error}" if error is not None else "its work is over"

    async def close(self) -> None:
        """End the jobs and wait for them; safe to call twice."""
        task, self._task = self._task, None
        if task is None:
            return
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError, Exception):
            await task

    async def _all(self) -> None:
        try:
            async with asyncio.TaskGroup() as group:
                for job in self._jobs:
                    group.create_task(_done(job))
        except BaseExceptionGroup as several:
            # One job failed; the group only wraps it.
            raise several.exceptions[0] from None


async def _done(job: Callable[[], Awaitable[None]]) -> None:
    await job()
