"""Cycles of a place in service, and what they are worth at the load ratio of the tests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.lives.rainflow import rainflow

if TYPE_CHECKING:
    from rig.protocol.service import Service
    from rig.samples import FloatArray

YEAR: Final = 365.25 * 86400.0


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Cycles of service: upper and lower level (m,) [fractions], and how many a year (m,)."""

    upper: FloatArray
    lower: FloatArray
    per_year: FloatArray


def spectrum(service: Service) -> Spectrum:
    """Return the cycles of a service; a history repeats, and is counted by rainflow.

    Cycles that never press (upper level not above zero) are left out.
    """
    if service.history:
        counted = rainflow(service.history, repeating=True)
        upper, lower, counts = counted.upper, counted.lower, counted.counts
    else:
        rows = np.array([(b.upper, b.lower, b.cycles) for b in service.blocks], dtype=float)
        upper, lower, counts = rows.reshape(-1, 3).T
    presses = upper > 0.0
    a_year = counts * (YEAR / service.period)
    return Spectrum(upper[presses], lower[presses], a_year[presses])


def equivalent(cycles: Spectrum, ratio: float) -> FloatArray:
    """Return the upper levels (m,) that do the same damage at a lower-over-upper `ratio`.

    On lines log N = C (1 - S) / sqrt(1 - R), whatever C (EN 1992-2 (6.109), from memory); of load
    levels common practice, no source.
    """
    own = np.clip(cycles.lower, 0.0, None) / cycles.upper
    result: FloatArray = 1.0 - (1.0 - cycles.upper) * np.sqrt((1.0 - ratio) / (1.0 - own))
    return result
