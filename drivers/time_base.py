"""A device's clock against the computer's: minimum delay, drift, and how sure both are.

A frame arrives later than it was taken, by a delay that changes from frame to frame and never
falls below what the line itself needs. So the smallest difference between arrival and device time
in each second is the best one (as in the clock filter of RFC 5905, section 10), and the line under
all of these, as close to them as can be, gives offset and drift at once [1]. What the device and
the line always hold a frame back, beyond the time of its bits, cannot be seen from one side.

Sources
-------
[1] S. B. Moon, P. Skelly, D. Towsley, Estimation and removal of clock skew from network delay
    measurements, IEEE INFOCOM 1999: the line under all points with the least sum of distances;
    it lies on the side of the lower convex hull that spans the mean of the times.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

WINDOW: Final = 1.0
"""Time [s] in which the arrival of least delay is looked for."""
WINDOWS: Final = 60
"""How many of these are looked back on."""
ENOUGH: Final = 10
"""Windows without which nothing is said of the drift."""
STEP: Final = 0.05
"""A clock that is off the line by more than this [s] has been set or has stood still."""
KEEPS: Final = 0.005
"""How much slower than the computer's clock a device's may run, as a fraction: the worst that
ceramic resonators are sold with. Common practice, no source."""
HELD_BACK: Final = 0.25
"""Time [s] by which samples may fall behind: a stream in which none comes for so long has ended."""
FALLS: Final = 0.1
"""Time [s] by which they come less late from second to second while a line catches up."""
_FEW: Final = 3

Point = tuple[float, float]
"""Device time [s] and by how much the computer's clock is ahead of it [s]."""


class ClockFit:
    """What the computer's clock shows at a device time, from arrivals of both."""

    def __init__(self) -> None:
        self._windows: deque[Point] = deque(maxlen=WINDOWS)
        self.forget()

    def forget(self) -> None:
        """Begin anew: the device's clock has."""
        self._windows.clear()
        self._best: Point | None = None
        self._until = 0.0
        self._line: tuple[float, float, float] | None = None  # device time, offset, slope
        self._off = 0

    def arrived(self, device: float, host: float) -> None:
        """Take notice of a frame of device time [s] that arrived at `host` [s of the clock]."""
        ahead = host - device
        best = self._best
        if best is None:
            self._best, self._until = (device, ahead), device + WINDOW
        elif device >= self._until:
            self._close(best)
            self._best, self._until = (device, ahead), device + WINDOW
        elif ahead < best[1]:
            self._best = (device, ahead)
        else:
            return
        if len(self._windows) < _FEW:
            # Too little for a slope: the least delay of this window and the last must do.
            last = self._windows[-1] if self._windows else self._best
            self._line = (*min(last, self._best, key=_ahead), 0.0)

    @property
    def known(self) -> bool:
        """Whether anything has arrived."""
        return self._line is not None

    def host(self, device: float) -> float:
        """Return what the computer's clock showed at a device time [s]."""
        at, offset, slope = self._line or (0.0, 0.0, 0.0)
        return device + offset + (device - at) * slope

    def device(self, host: float) -> float:
        """Return the device time [s] at a time of the computer's clock."""
        at, offset, slope = self._line or (0.0, 0.0, 0.0)
        return (host - offset + at * slope) / (1 + slope)

    @property
    def drift(self) -> float | None:
        """By how much faster the device's clock runs than the computer's; None: not known yet."""
        if self._line is None or len(self._windows) < ENOUGH:
            return None
        return 1 / (1 + self._line[2]) - 1

    @property
    def spread(self) -> float | None:
        """How far [s] the smallest delays of the last ten seconds lie apart, None: not known."""
        if len(self._windows) < _FEW:
            return None
        last = list(self._windows)[-ENOUGH:]
        return max(self._above(point) for point in last)

    def _above(self, point: Point) -> float:
        return point[0] + point[1] - self.host(point[0])

    def _close(self, best: Point) -> None:
        """End a window; a clock that has been set is not averaged with what it was."""
        if len(self._windows) >= _FEW:
            off = self._above(best)
            self._off = self._off + 1 if abs(off) > STEP else 0
            # Earlier than any delay allows, or late three times running: not the line's doing.
            if off < -STEP or self._off >= _FEW:
                kept = list(self._windows)[-(self._off - 1) :] if self._off > 1 else []
                self._windows.clear()
                self._windows.extend(kept)
                self._off = 0
        self._windows.append(best)
        if len(self._windows) >= _FEW:
            self._line = under(self._windows)


class Lateness:
    """How much later samples come than the first ones did, beyond what a device's clock may lose.

    A converter or gateway that holds more and more of them back sends old samples for new ones:
    limits are then held against what was, and the controller's watchdog is told that all is well.
    """

    def __init__(self) -> None:
        self._least: Point | None = None
        self._until = 0.0
        self._best = self._before = 0.0

    def arrived(self, device: float, host: float) -> float:
        """Take notice of a frame of device time [s] that arrived at `host` [s of the clock].

        Return by how much [s] all frames of the last second came late where that is too much and
        does not pass, else 0.
        """
        ahead, least = host - device, self._least
        late = ahead - least[1] - (device - least[0]) * KEEPS if least is not None else 0.0
        if least is None or late <= 0:
            self._least, late = (device, ahead), 0.0
        if host < self._until:
            self._best = min(self._best, late)
            return 0.0
        best, before = self._best, self._before
        self._best, self._before, self._until = late, best, host + WINDOW
        return best if before > HELD_BACK and best > max(before - FALLS, HELD_BACK) else 0.0


def _ahead(point: Point) -> float:
    return point[1]


def under(points: Sequence[Point]) -> tuple[float, float, float]:
    """Return the line under points of rising device time with the least sum of distances.

    It is given by a point of it, device time [s] and offset [s], and its slope.
    """
    hull: list[Point] = []
    for point in points:
        while len(hull) > 1 and not _below(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    middle = sum(device for device, _ in points) / len(points)
    for left, right in pairwise(hull):
        if right[0] >= middle and right[0] > left[0]:
            return (*left, (right[1] - left[1]) / (right[0] - left[0]))
    return (*hull[-1], 0.0)


def _below(left: Point, point: Point, right: Point) -> bool:
    """Tell whether a point lies below the line from the one before to the one after it."""
    return (point[1] - left[1]) * (right[0] - left[0]) < (right[1] - left[1]) * (point[0] - left[0])
