"""Rounding before anybody judges, so that live, resumed and replayed verdicts agree."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from rig.samples import FloatArray

SIGNIFICANT_BITS: Final = 14
"""Bits kept of computed values (stiffness, energy, frequency): 6e-5 relative."""


def rounding_step(resolution: float) -> float:
    """Return the largest power of two that is below a quarter of a resolution [its unit]."""
    if not resolution > 0:
        raise ValueError(f"resolution {resolution} is not above zero")
    step = 2.0 ** math.floor(math.log2(resolution / 4))
    return step / 2 if step >= resolution / 4 else step


def round_to(values: FloatArray, step: float) -> FloatArray:
    """Return values rounded to multiples of a step; exact for a power of two."""
    result: FloatArray = np.rint(values / step) * step
    return result


def round_significant(values: FloatArray, bits: int = SIGNIFICANT_BITS) -> FloatArray:
    """Return values rounded to a number of significant bits; NaN stays NaN."""
    mantissa, exponent = np.frexp(values)
    result: FloatArray = np.ldexp(np.rint(np.ldexp(mantissa, bits)), exponent - bits)
    return result
