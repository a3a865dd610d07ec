"""A load loop that does not follow evenly: oil short, a neighbour on the pump, gain lost, air.

A load cannot jump, so where one of these comes on or goes it is followed frame by frame; where it
lasts unchanged cycling stays periodic.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from rig.samples import FloatArray
from simulators.disturbances import Dips, Disturbance, Falling, Uneven
from simulators.draws import Draws

MOST: Final = 3.0  # standard deviations by which air shortens a cycle at most
COMING: Final = 4.0  # periods in which air comes, and goes


class UnsteadyLoop:
    """What of a rig's disturbances is one of its loop; false where nothing ever is."""

    def __init__(self, disturbances: tuple[Disturbance, ...], seed: int) -> None:
        known = [(number, d) for number, d in enumerate(disturbances)]
        falls = [d for _, d in known if isinstance(d, Falling)]
        self._falls = [f for f in falls if f.what != "flow"]
        self._dips = [(d, Draws(seed, number)) for number, d in known if isinstance(d, Dips)]
        self._air = [(d, Draws(seed, number)) for number, d in known if isinstance(d, Uneven)]

    def __bool__(self) -> bool:
        return bool(self._falls or self._dips or self._air)

    def uneven(self, frame: int) -> bool:
        """Tell whether amplitude or lag change from frame to frame at a frame."""
        within = [(d.begin, d.end) for d, _ in self._air]
        for fall in self._falls:
            within += [(fall.begin, fall.begin + fall.over), (fall.end, fall.end + fall.over)]
        for dips, draws in self._dips:
            within += _about(dips, draws, frame)
        return any(begin <= frame < end for begin, end in within)

    def changes(self, frame: int) -> Iterable[int]:
        """Return frames at which that may become otherwise, the next ones after a frame too."""
        for air, _ in self._air:
            yield from (air.begin, air.end)
        for fall in self._falls:
            yield from (fall.begin, fall.begin + fall.over, fall.end, fall.end + fall.over)
        for dips, draws in self._dips:
            for span in _about(dips, draws, frame):
                yield from span

    def reach(self, n: Any, frequency: float, rate: float) -> FloatArray:
        """Return the share of its amplitude that cycling reaches at frames, loads at `rate`."""
        share = np.ones(len(n))
        for fall in (f for f in self._falls if f.what == "amplitude"):
            share *= left_of(fall, n)
        for dips, draws in self._dips:
            for begin, end in {s for at in (n[0], n[-1]) for s in _about(dips, draws, int(at))}:
                part = np.clip((n - begin) / (end - begin), 0.0, 1.0)
                share *= 1 - (1 - dips.to) * np.sin(np.pi * part) ** 2
        for air, draws in self._air:
            if n[-1] >= air.begin and n[0] < air.end:
                share *= _shortened(air, draws, n, rate / frequency)
        return share

    def bandwidth(self, n: Any) -> FloatArray:
        """Return the share of its bandwidth that the loop has at frames."""
        share = np.ones(len(n))
        for fall in (f for f in self._falls if f.what == "bandwidth"):
            share *= left_of(fall, n)
        return share


def left_of(fall: Falling, n: Any) -> Any:
    """Return the share that is left at frames, an array or one."""
    fallen = np.clip((n - fall.begin) / fall.over, 0.0, 1.0)
    back = np.clip((n - fall.end) / fall.over, 0.0, 1.0)
    return 1 - (1 - fall.to) * np.minimum(fallen, 1 - back)


def _about(dips: Dips, draws: Draws, frame: int) -> list[tuple[int, int]]:
    """Return the frames of the dip of the interval that a frame lies in, and of its neighbours."""
    index = (frame - dips.begin) // dips.every
    first = max(index - 1, 0)
    if index < -1 or index + 2 <= first:
        return []
    found = []
    places = draws.uniform(first, index + 2 - first)
    for number, place in enumerate(places, first):
        begin = dips.begin + number * dips.every + int(place * (dips.every - dips.lasts))
        if begin < dips.end:
            found.append((begin, begin + dips.lasts))
    return found


def _shortened(air: Uneven, draws: Draws, n: Any, period: float) -> FloatArray:
    """Return the share of amplitude left by air: another one each period, smoothly between."""
    place = n / period
    knot = np.floor(place).astype(np.int64)
    first = int(knot[0])
    lost = np.minimum(np.abs(draws.normal(first, int(knot[-1]) + 2 - first)), MOST)
    part = place - knot
    part = part * part * (3 - 2 * part)
    here = lost[knot - first]
    mean = here + part * (lost[knot + 1 - first] - here)
    # Within a few periods the air comes and goes: a load cannot jump.
    coming = np.clip((n - air.begin) / (COMING * period), 0.0, 1.0)
    going = np.clip((air.end - n) / (COMING * period), 0.0, 1.0)
    left: FloatArray = 1 - air.scatter * mean * coming * going
    return left
