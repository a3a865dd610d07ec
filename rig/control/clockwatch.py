"""The computer's clocks: a step of the wall clock, or a sleep, is told and changes nothing."""

from __future__ import annotations

from typing import Final

from rig.clock import Clock, stepped

EVERY: Final = 1.0  # [s] between looks
LEAST: Final = 2.0  # [s]: smaller differences are the everyday work of time services


class ClockWatch:
    """Compares calendar and monotonic time. Schedules and counts go by the rig's own time."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._before = (clock.now(), clock.utc())

    def look(self) -> str:
        """Return in words by how much the two have parted since the last look, or nothing."""
        now = self._clock.now()
        if now - self._before[0] < EVERY:
            return ""
        before, self._before = self._before, (now, self._clock.utc())
        seconds = stepped(*before, *self._before)
        if abs(seconds) < LEAST:
            return ""
        return (
            f"the computer's clock was stepped by {seconds:+.0f} s, or it slept; "
            "counts and schedules go by the rig's time"
        )
