"""Arithmetic on numbers and on arrays alike, so that a formula is written once.

A section that `check` asks about is one number at a time and must not wait for numpy; a curve of
two hundred is one array. numpy is imported only where an array comes in, by whoever made it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rig.samples import FloatArray

    Either = float | FloatArray
    """A number, or an array of them."""


def smaller(a: Either, b: Either) -> Either:
    """Return the smaller of two, element by element."""
    if isinstance(a, int | float) and isinstance(b, int | float):
        return min(a, b)
    import numpy as np

    return np.minimum(a, b)


def larger(a: Either, b: Either) -> Either:
    """Return the larger of two, element by element."""
    if isinstance(a, int | float) and isinstance(b, int | float):
        return max(a, b)
    import numpy as np

    return np.maximum(a, b)


def magnitude(x: Either) -> Either:
    """Return what is left without the sign, element by element."""
    if isinstance(x, int | float):
        return abs(x)
    import numpy as np

    return np.abs(x)


def chosen(condition: Any, where_true: Either, where_false: Either) -> Either:
    """Return one or the other, element by element; both have been computed."""
    if isinstance(condition, bool):
        return where_true if condition else where_false
    import numpy as np

    return np.where(condition, where_true, where_false)


def log10(x: Either) -> Either:
    """Return the decimal logarithm; of a number that is not above zero, minus infinity."""
    if isinstance(x, int | float):
        return math.log10(x) if x > 0 else -math.inf
    import numpy as np

    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(x > 0, np.log10(x), -np.inf)
