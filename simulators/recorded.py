"""A recorded specimen in the simulated rig: it bends as the rows of a recording say.

What it does at a cycle is a line for each signal over load. The lines come from a function of the
cycle number: where they are kept is not known here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from rig.samples import FloatArray

HAIR: Final = 1e-6  # of a cycle: rounding of cycles that are added up
MIDDLE: Final = 0.5  # what is recorded of a cycle stands at its middle
BEYOND: Final = 20.5  # cycles after the last recorded one until it is told that there are no more


@dataclass(frozen=True, slots=True)
class Line:
    """A signal over load: its value without load [SI] and its slope [SI/N], shape (n,) each."""

    at_rest: FloatArray
    slope: FloatArray

    def at(self, load: FloatArray) -> FloatArray:
        """Return the signal at loads [N], shape (n,), or (m,) where the line is one."""
        return self.at_rest + self.slope * load


@dataclass(frozen=True, slots=True)
class BentLine:
    """Net deflection [m] over load: a line whose slope [m/N] grows by `bend` at `knee` [N].

    Cracks that open do that; shape (n,) each.
    """

    at_rest: FloatArray
    slope: FloatArray
    knee: FloatArray
    bend: FloatArray

    def at(self, load: FloatArray) -> FloatArray:
        """Return the deflection at loads [N], shape (n,), or (m,) where the line is one."""
        beyond: FloatArray = np.maximum(load - self.knee, 0.0)
        return self.at_rest + self.slope * load + self.bend * beyond


@dataclass(frozen=True, slots=True)
class Lines:
    """The lines of all signals: net deflection, mean of the supports, and channels by name."""

    net: BentLine
    support: Line
    channels: Mapping[str, Line] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RecordedSpecimen:
    """What stands in for the specimen.

    `lines` gives the lines at cycle numbers, shape (n,), as a function of those alone. A cycle
    counts from a range of `full_range` [N] on. `last` is the number of the last recorded cycle:
    it `fails` with it, or goes on as it was, which is told `BEYOND` cycles later: whoever counts
    may be some cycles behind, and what comes at the very last one must still come.
    """

    lines: Callable[[FloatArray], Lines]
    last: float
    fails: bool
    full_range: float
    channels: frozenset[str] = frozenset()

    def of_age(self, age: FloatArray) -> Lines:
        """Return the lines after so many counted cycles, which need not be whole ones."""
        return self.lines(age + MIDDLE)

    def gone(self, age: float) -> bool:
        """Tell whether it has failed after so many counted cycles."""
        return self.fails and age >= self.last - HAIR

    def over(self, age: float) -> bool:
        """Tell whether it went on for so long that the recording says nothing any more."""
        return not self.fails and age >= self.last + BEYOND - HAIR
