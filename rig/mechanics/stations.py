"""A beam in four-point bending, cut at the stations over which something is summed.

Half of the symmetrical beam is cut at Gauss points between the places where a moment or a bond
changes: support, load point, end of the lost bond, mid-span. Mid-span itself is the last station.
Arrays have the shape (elements, stations), an element being one load with one length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.mechanics.equilibrium import Layer, Makeup, makeup
from rig.mechanics.section import UNBONDED
from rig.mechanics.shapes import self_weight, shear_span

if TYPE_CHECKING:
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

SHORTEST: Final = 1e-4
"""Part of the span that stands for no length at all: an average needs some."""

_BENT, _LEVEL, _MIDDLE = 18, 5, 5
"""Points where the moment rises, where it hardly changes, and with mid-span among them."""


def _gauss(points: int) -> tuple[FloatArray, FloatArray]:
    """Return points and weights on 0..1."""
    at, weights = np.polynomial.legendre.leggauss(points)
    return (1 + at) / 2, weights / 2


def _graded(points: int) -> tuple[FloatArray, FloatArray]:
    """Return points and weights on 0..1, closer towards 1: strains rise fastest near the loads.

    Fourteen give the stress of an unbonded tendon at ultimate to a part in a million.
    """
    at, weights = _gauss(points)
    return 1 - (1 - at) ** 2, 2 * (1 - at) * weights


def _radau(points: int) -> tuple[FloatArray, FloatArray]:
    """Return points and weights on 0..1 of the rule with a point at 1 (Gauss and Radau)."""
    # The points of the rule with one at -1 are the zeros of P_(n-1) + P_n; mirrored.
    series = np.zeros(points + 1)
    series[points - 1 :] = 1.0
    at = np.sort(np.polynomial.legendre.legroots(series).real)
    last = np.polynomial.legendre.legval(at, np.eye(points)[points - 1])
    weights = (1 - at) / (points * last) ** 2
    return (1 - at[::-1]) / 2, weights[::-1] / 2


_RULES: Final = (_graded(_BENT), _gauss(_LEVEL), _graded(_BENT), _radau(_MIDDLE))
_OUTSIDE: Final = _BENT + _LEVEL


@dataclass(frozen=True, slots=True)
class Beam:
    """A specimen cut at stations: first those that keep their bond, then those without.

    `length` [m], shape (elements,), is without bond. A station lies at `x` [m] from the support
    and stands for a `share` [m]; `arm` [m] is the moment there of a unit actuator load, `own`
    [N m] that of self weight. `whole[i]` tells that tendon i has no bond over the whole span.
    """

    specimen: Specimen
    made: Makeup
    length: FloatArray
    x: FloatArray
    share: FloatArray
    arm: FloatArray
    own: FloatArray
    whole: tuple[bool, ...]

    @property
    def tendons(self) -> tuple[Layer, ...]:
        """The layers of tendons, without the bars."""
        return self.made.layers[: len(self.whole)]

    def zones(self) -> tuple[slice, slice]:
        """Return which stations keep their bond and which have lost it."""
        return slice(0, _OUTSIDE), slice(_OUTSIDE, None)

    def free(self, tendon: int) -> FloatArray:
        """Return 1 at each station where a tendon has no bond, 0 at the others."""
        first = 0 if self.whole[tendon] else _OUTSIDE
        return np.where(np.arange(self.share.shape[1]) < first, 0.0, 1.0)

    def moment(self, load: FloatArray) -> FloatArray:
        """Return the moments [N m] at the stations under actuator loads [N]."""
        return load[:, None] * self.arm + self.own


def beam(specimen: Specimen, length: FloatArray) -> Beam:
    """Return a specimen whose tendons have lost their bond over lengths [m] about mid-span.

    `length` has the shape (elements,); what exceeds the span counts as the span.
    """
    section = specimen.section
    half, a = section.span / 2, shear_span(section)
    lost = np.clip(length, SHORTEST * section.span, section.span) / 2
    edge, point = half - lost, np.full_like(lost, min(a, half * (1 - SHORTEST)))
    pieces = (
        (np.zeros_like(lost), np.minimum(edge, point)),
        (point, np.maximum(edge, point)),
        (np.minimum(edge, point), point),
        (np.maximum(edge, point), np.full_like(lost, half)),
    )
    x, share = [], []
    for (begin, end), (at, weight) in zip(pieces, _RULES, strict=True):
        long = (end - begin)[:, None]
        x.append(begin[:, None] + long * at)
        share.append(long * weight)
    where = np.hstack(x)
    return Beam(
        specimen=specimen,
        made=makeup(specimen),
        length=2 * lost,
        x=where,
        share=np.hstack(share),
        arm=np.minimum(where, a) / 2,
        own=self_weight(specimen) * where * (section.span - where) / 2,
        whole=tuple(t.bond == UNBONDED for t in specimen.tendons),
    )
