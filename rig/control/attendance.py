"""Attendance: after each start somebody must have looked by certain times and counts."""

from __future__ import annotations

from dataclasses import dataclass, replace

from rig.protocol.plan import Attendance


@dataclass(frozen=True, slots=True)
class Windows:
    """The windows that are still open: frames and counted cycles, rising.

    `looked` tells whether somebody has looked since the last window closed. All were opened at
    frame `begun` and count `begun_cycle`.
    """

    frames: tuple[int, ...] = ()
    cycles: tuple[int, ...] = ()
    looked: bool = False
    begun: int = 0
    begun_cycle: int = 0

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
        begun=frame,
        begun_cycle=counted,
    )


def half_over(windows: Windows, frame: int, counted: int) -> bool:
    """Tell whether nobody has looked and more than half of the time to do it is over.

    People who have just started a test are there; they are asked only when it is time.
    """
    if windows.looked:
        return False
    by_frame = windows.next_frame is not None and 2 * frame > windows.begun + windows.next_frame
    by_count = (
        windows.next_cycle is not None and 2 * counted > windows.begun_cycle + windows.next_cycle
    )
    return by_frame or by_count


def closing(windows: Windows, frame: int, counted: int) -> tuple[Windows, bool]:
    """Close the windows that are over; tell whether one of them closed without anybody."""
    frames = tuple(f for f in windows.frames if f > frame)
    cycles = tuple(c for c in windows.cycles if c > counted)
    if (frames, cycles) == (windows.frames, windows.cycles):
        return windows, False
    return replace(windows, frames=frames, cycles=cycles, looked=False), not windows.looked
