"""Attendance: after each start somebody must have looked by certain times and counts."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rig.protocol.plan import Attendance


@dataclass(frozen=True, slots=True)
class Windows:
    """The windows that are still open: frames and counted cycles, rising.

    `looked` tells whether somebody has looked since the last window closed.
    """

    frames: tuple[int, ...] = ()
    cycles: tuple[int, ...] = ()
    looked: bool = False

    @property
    def next_frame(self) -> int | None:
        """Frame at which the next window closes by time."""
        return self.frames[0] if self.frames else None

    @property
    def next_cycle(self) -> int | None:
        """Counted cycle at which the next window closes by count."""
        return self.cycles[0] if self.cycles else None


def opened(attendance: Attendance | None, frame: int, counted: int, rate: float) -> Windows:
    """Return the windows after a start at a frame and a count."""
    if attendance is None:
        return Windows()
    return Windows(
        tuple(frame + round(t * rate) for t in attendance.times),
        tuple(counted + c for c in attendance.cycles),
    )


def closing(windows: Windows, frame: int, counted: int) -> tuple[Windows, bool]:
    """Close the windows that are over; tell whether one of them closed without anybody."""
    frames = tuple(f for f in windows.frames if f > frame)
    cycles = tuple(c for c in windows.cycles if c > counted)
    if (frames, cycles) == (windows.frames, windows.cycles):
        return windows, False
    return replace(windows, frames=frames, cycles=cycles, looked=False), not windows.looked
