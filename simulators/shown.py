"""What sensors show of what is true, where a rig file says that the two differ."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.samples import FloatArray

Points = tuple[tuple[float, float], ...]
"""Pairs of what is shown and what is true [SI], both rising."""


@dataclass(frozen=True, slots=True)
class Scales:
    """The points of channels that show something else than what is true."""

    points: Mapping[str, Points]

    def shown(self, channel: str, true: float) -> float:
        """Return what a channel shows [SI] of one true value."""
        points = self.points.get(channel)
        return float(_on_line([(t, s) for s, t in points])(np.array(true))) if points else true

    def true(self, channel: str, shown: float) -> float:
        """Return what is true [SI] where a channel shows one value."""
        points = self.points.get(channel)
        return float(_on_line(list(points))(np.array(shown))) if points else shown

    def all_shown(self, channel: str, true: FloatArray) -> FloatArray:
        """Return what a channel shows [SI] of true values of any shape."""
        points = self.points.get(channel)
        return _on_line([(t, s) for s, t in points])(true) if points else true


def _on_line(pairs: list[tuple[float, float]]) -> Callable[[NDArray[np.float64]], FloatArray]:
    """Return the function through pairs, straight between them and before and after all of them."""
    at = np.array([pair[0] for pair in pairs])
    value = np.array([pair[1] for pair in pairs])
    slope = np.diff(value) / np.diff(at)

    def drawn(x: NDArray[np.float64]) -> FloatArray:
        place = np.clip(np.searchsorted(at, x, side="right") - 1, 0, len(slope) - 1)
        result: FloatArray = value[place] + (x - at[place]) * slope[place]
        return result

    return drawn
