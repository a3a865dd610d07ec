"""Judged cycles of one call behind those kept from before."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.samples import Cycles

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Part:
    """Number, stiffness [N/m] and deflection_min [m] of judged cycles, shape (3, n).

    Columns from `begin` on are new; `judged` marks their rows among those of the call, and
    `known` are their frames.
    """

    values: FloatArray
    begin: int
    judged: NDArray[np.bool_]
    known: NDArray[np.int64]
    load_max: FloatArray

    @staticmethod
    def of(rows: Cycles, judged: NDArray[np.bool_], recent: FloatArray) -> Part:
        """Return the judged rows behind the recent ones."""
        new = [
            rows[name][judged].astype(np.float64)
            for name in ("number", "stiffness", "deflection_min")
        ]
        return Part(
            np.concatenate((recent, new), axis=1),
            recent.shape[1],
            judged,
            rows.known[judged],
            rows["load_max"][judged].astype(np.float64),
        )

    @property
    def numbers(self) -> FloatArray:
        """Counted cycle numbers."""
        result: FloatArray = self.values[0]
        return result

    @property
    def stiffness(self) -> FloatArray:
        """Stiffness [N/m]."""
        result: FloatArray = self.values[1]
        return result

    @property
    def deflection(self) -> FloatArray:
        """Net deflection at lower load [m]."""
        result: FloatArray = self.values[2]
        return result

    def when(self, at: int) -> tuple[int, int]:
        """Return number and frame of a new judged cycle; of a kept one the frame is 0."""
        frame = int(self.known[at - self.begin]) if at >= self.begin else 0
        return int(self.values[0, at]), frame
