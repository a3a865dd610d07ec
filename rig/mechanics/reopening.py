"""Where cracks re-open in a slow cycle, and what prestress that tells of.

Loads are what the actuator adds [N], deflections net [m]. Two tangents are fitted to the rising
branch (the falling one comes back below it); they meet at the re-opening load. A crack opens
little by little, so the more of the branch above it is fitted, the higher they meet: only a short
way above the kink is. They still meet above decompression, by a tenth to a quarter on a section
that carries no tension anywhere (tests/mechanics/test_reopening.py). The prestress from it is
good for following one specimen over its cycles, less for its absolute value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.mechanics.bilinear import Bilinear, bilinear
from rig.mechanics.section import decompression_moment, prestress
from rig.mechanics.shapes import moment_under

if TYPE_CHECKING:
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

MOST_POINTS: Final = 2000
"""More samples than these are averaged in groups: the fit must not keep a controller waiting."""

LEAST_POINTS: Final = 20
"""A rising branch of fewer samples shows no kink."""

FOOT: Final = 0.05
"""Lowest share of the load range that is left out: contact closes there (no source)."""

TOP: Final = 0.99
"""Share of the load range at which the rising branch ends and the hold at the top begins."""

LEAST_SOFTENING: Final = 0.1
"""A tangent above that is softer by less than this share says nothing of a crack (no source)."""

LEAST_F: Final = 15.0
"""F of the two tangents against one, under which there is no kink.

Larger than a table's: the best of many tried kinks meets a given F by chance more often.
"""


ABOVE: Final = 1.3
"""Way from the foot up to which the branch is fitted, over that to the kink (no source)."""

PASSES: Final = 12
"""The way up is shortened at most so often; on a sharp kink it is twice."""


@dataclass(frozen=True, slots=True)
class Reopening:
    """Re-opening load and its interval at 95 % [N], tangent stiffness below and above it [N/m].

    `residual` is the deflection the cycle left behind, at equal load [m].
    """

    load: float
    low: float
    high: float
    below: float
    above: float
    residual: float


def reopening(load: FloatArray, deflection: FloatArray) -> Reopening | None:
    """Return where cracks re-open in a slow cycle, None where its rising branch shows no kink.

    `load` and `deflection`, of one length, begin at the foot of the cycle, go up to the top and
    (if at all) down again; samples that are not valid are NaN.
    """
    valid = np.isfinite(load) & np.isfinite(deflection)
    load, deflection = load[valid], deflection[valid]
    rising = _rising(load)
    if len(rising) < LEAST_POINTS:
        return None
    fit = _near_the_kink(_grouped(load[rising]), _grouped(deflection[rising]))
    if fit is None:
        return None
    return Reopening(
        load=fit.kink,
        low=fit.low,
        high=fit.high,
        below=1 / fit.below,
        above=1 / fit.above,
        residual=float(deflection[-1] - deflection[0] - (load[-1] - load[0]) * fit.below),
    )


def _near_the_kink(load: FloatArray, deflection: FloatArray) -> Bilinear | None:
    """Return the fit to the branch up to a short way above its kink, as far as that shows one."""
    found, foot, top = None, float(load.min()), float(load.max())
    for _ in range(PASSES):
        taken = load <= top
        fit = bilinear(load[taken], deflection[taken])
        if np.count_nonzero(taken) < LEAST_POINTS or fit is None or not _kinked(fit):
            break
        found = fit
        if foot + ABOVE * (fit.kink - foot) >= top:
            break
        top = foot + ABOVE * (fit.kink - foot)
    return found


def _kinked(fit: Bilinear) -> bool:
    """Tell whether a fit softens by enough, beyond chance, at a load that lies between others."""
    softens = 0.0 < fit.below <= (1 - LEAST_SOFTENING) * fit.above
    return softens and fit.f >= LEAST_F and math.isfinite(fit.low) and math.isfinite(fit.high)


@dataclass(frozen=True, slots=True)
class EffectivePrestress:
    """What the tendons still do: force of all of them [N], their mean stress [Pa].

    Both where the concrete beside them has no strain, as `section.prestress` has them; `share` is
    that of the prestress in the specimen file.
    """

    force: float
    stress: float
    share: float


def effective_prestress(specimen: Specimen, reopening_load: float) -> EffectivePrestress | None:
    """Return the prestress under which cracks re-open at an actuator load [N].

    A crack has no tensile strength, so it opens where the bottom fibre is without stress: the
    decompression moment, self weight included. All tendons are taken to have lost one share.
    None where the specimen file knows of no prestress.
    """
    expected = decompression_moment(specimen)
    area = sum(t.area for t in specimen.tendons)
    if area == 0.0 or not expected > 0.0:
        return None
    full = sum(t.area * s for t, s in zip(specimen.tendons, prestress(specimen), strict=True))
    share = float(moment_under(specimen, reopening_load)) / expected
    force = full * share
    return EffectivePrestress(force, force / area, share)


def _rising(load: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """Return where the samples between foot and top of the rising branch are."""
    if len(load) == 0:
        return np.arange(0)
    foot, top = load[0], load.max()
    end = int(np.argmax(load >= foot + TOP * (top - foot)))
    return np.flatnonzero(load[:end] > foot + FOOT * (top - foot))


def _grouped(values: FloatArray) -> FloatArray:
    """Return means of as many neighbours as leave at most MOST_POINTS."""
    group = -(-len(values) // MOST_POINTS)
    whole = len(values) // group * group
    means: FloatArray = values[:whole].reshape(-1, group).mean(axis=1)
    return means
