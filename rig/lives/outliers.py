"""Values that lie far from the rest of their group: shown by a named rule, never dropped."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.fieller import moments

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

RULE: Final = "Grubbs' test at 5 %, two-sided, of the value farthest from the mean"


@dataclass(frozen=True, slots=True)
class Outlier:
    """The value farthest from the mean of its group, and by how many standard deviations."""

    index: int
    value: float
    distance: float
    critical: float


def grubbs_critical(n: int, level: float = 0.05) -> float:
    """Return the largest distance [standard deviations] that chance explains of n values, n > 2.

    Source: Grubbs, Technometrics 11 (1969) 1; ASTM E178; from memory.
    """
    from scipy.special import stdtrit

    t = float(stdtrit(n - 2, 1 - level / (2 * n)))
    return (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))


def outlier(values: ArrayLike, level: float = 0.05) -> Outlier | None:
    """Return the value (n,) that RULE shows, else None, as of fewer than three or of equal ones."""
    array = np.asarray(values, float).ravel()
    if array.size < 3:
        return None
    _, mean, variance = moments(array)
    if not variance:
        return None
    distance = np.abs(array - mean) / math.sqrt(variance)
    index = int(distance.argmax())
    critical = grubbs_critical(array.size, level)
    if distance[index] <= critical:
        return None
    return Outlier(index, float(array[index]), float(distance[index]), critical)
