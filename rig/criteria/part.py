"""Judged cycles of one call behind those kept from before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rig.samples import Cycles

FloatArray = NDArray[np.float64]

_MEASURED: Final = ("number", "stiffness", "deflection_min")


@dataclass(frozen=True, slots=True)
class Part:
    """Number, stiffness [N/m] and deflection_min [m] of judged cycles, shape (3, n).

    Two more rows, where there are any, must be added to the latter for the temperature. Columns
    from `begin` on are new; `judged` marks their rows among those of the call, and `known` are
    their frames.
    """

    values: FloatArray
    begin: int
    judged: NDArray[np.bool_]
    known: NDArray[np.int64]
    load_max: FloatArray
    load_min: FloatArray

    @staticmethod
    def of(
        rows: Cycles,
        judged: NDArray[np.bool_],
        recent: FloatArray,
        warm: FloatArray | None = None,
    ) -> Part:
        """Return the judged rows behind the recent ones; `warm` is added for the temperature."""
        new = np.array([rows[name][judged].astype(np.float64) for name in _MEASURED])
        if warm is not None:
            new = np.concatenate((new, warm[:, judged]))
        both = [_padded(part, max(len(recent), len(new))) for part in (recent, new)]
        return Part(
            np.concatenate(both, axis=1),
            recent.shape[1],
            judged,
            rows.known[judged],
            rows["load_max"][judged].astype(np.float64),
            rows["load_min"][judged].astype(np.float64),
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

    @property
    def warm(self) -> FloatArray | None:
        """What is added for the temperature, shape (2, n); None where nothing is."""
        return self.values[3:] if len(self.values) > len(_MEASURED) else None

    @property
    def warm_stiffness(self) -> FloatArray:
        """Stiffness [N/m] as at the temperature of the baseline."""
        return self.stiffness if self.warm is None else self.stiffness + self.warm[0]

    @property
    def warm_deflection(self) -> FloatArray:
        """Net deflection at lower load [m] as at the temperature of the baseline."""
        return self.deflection if self.warm is None else self.deflection + self.warm[1]

    def when(self, at: int) -> tuple[int, int]:
        """Return number and frame of a new judged cycle; of a kept one the frame is 0."""
        frame = int(self.known[at - self.begin]) if at >= self.begin else 0
        return int(self.values[0, at]), frame

    def row(self, at: int) -> int:
        """Return the row of the call that a new judged cycle is."""
        return int(np.flatnonzero(self.judged)[at - self.begin])

    def place(self, row: int) -> int:
        """Return the place of a judged row of the call."""
        return self.begin + int(np.count_nonzero(self.judged[:row]))


def _padded(values: FloatArray, rows: int) -> FloatArray:
    """Return values with rows of zeros added."""
    return np.concatenate((values, np.zeros((rows - len(values), values.shape[1]))))
