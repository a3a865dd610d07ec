"""Real and virtual time: the only module that reads a clock.

Control uses monotonic seconds, stamps use UTC. A rehearsal runs on `VirtualLoop`, an event
loop whose time jumps to the next timer as soon as nothing else is ready, so that weeks pass in
minutes and two equal runs see equal times.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Protocol

VIRTUAL_EPOCH: Final = datetime(2001, 1, 1, 18, 0, tzinfo=UTC)
"""Where a rehearsal's calendar begins: an evening, the same one every time."""


class Clock(Protocol):
    """What everything waits through."""

    def now(self) -> float:
        """Return monotonic seconds [s]; only differences mean anything."""

    def utc(self) -> datetime:
        """Return the calendar time for stamps, with its zone (UTC)."""

    async def sleep(self, seconds: float) -> None:
        """Wait for a duration [s]."""


class SystemClock:
    """Real time."""

    def now(self) -> float:
        """Return monotonic seconds [s]."""
        return time.monotonic()

    def utc(self) -> datetime:
        """Return the present UTC."""
        return datetime.now(UTC)

    async def sleep(self, seconds: float) -> None:
        """Wait for a duration [s]."""
        await asyncio.sleep(seconds)


class VirtualClock:
    """The time of the running `VirtualLoop`, on a calendar that begins at `VIRTUAL_EPOCH`."""

    def now(self) -> float:
        """Return the loop's seconds [s]."""
        return asyncio.get_running_loop().time()

    def utc(self) -> datetime:
        """Return the rehearsal's calendar time."""
        return VIRTUAL_EPOCH + timedelta(seconds=self.now())

    async def sleep(self, seconds: float) -> None:
        """Wait for a duration [s] of virtual time."""
        await asyncio.sleep(seconds)


class _JumpingSelector(selectors.DefaultSelector):
    """Answers a wait at once and moves time on instead, unless real work is under way."""

    def __init__(self) -> None:
        super().__init__()
        self.now = 0.0
        self.busy = 0

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        if timeout is None or timeout <= 0:
            return super().select(timeout)
        ready = super().select(0)
        if ready:
            return ready
        if self.busy:
            # A thread works: virtual time stands still until it has answered.
            return super().select(min(timeout, 0.05))
        self.now += timeout
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop in virtual time from `begin` [s] on; executor jobs take no time at all."""

    def __init__(self, begin: float = 0.0) -> None:
        self._jumping = _JumpingSelector()
        self._jumping.now = begin
        super().__init__(self._jumping)
        # Timers closer than this fire together; the default (1e-9) is asyncio's own.
        self._clock_resolution = 1e-9

    def time(self) -> float:
        """Return virtual seconds [s]."""
        return self._jumping.now

    def run_in_executor(  # type: ignore[override]  # the stub's ParamSpec form cannot be named here
        self, executor: Any, func: Callable[..., Any], *args: Any
    ) -> asyncio.Future[Any]:
        """Run a job in a thread while virtual time stands still."""
        self._jumping.busy += 1
        future = super().run_in_executor(executor, func, *args)
        future.add_done_callback(self._job_done)
        return future

    def _job_done(self, _future: asyncio.Future[Any]) -> None:
        self._jumping.busy -= 1


def real_seconds() -> float:
    """Return real monotonic seconds [s], for rates of work shown to people and commit pacing.

    Never for anything that a row, a verdict or a command depends on.
    """
    return time.monotonic()


def stepped(mono_before: float, utc_before: datetime, mono_now: float, utc_now: datetime) -> float:
    """Return by how much [s] the wall clock ran ahead of the monotonic one between two looks.

    Not zero when somebody stepped the wall clock, or when the computer slept meanwhile.
    """
    return (utc_now - utc_before).total_seconds() - (mono_now - mono_before)
