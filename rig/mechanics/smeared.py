"""A beam whose tendons have lost their bond over a length about mid-span, cracks smeared out.

What is assumed of it:

- Two equal loads, symmetrical; the debonded length lies about mid-span and is the same for every
  layer of pre-tensioned tendons. "post-tensioned unbonded" tendons have no bond over the whole
  span, whatever the length, and are anchored over the supports; overhangs count for nothing.
- Plane sections by the nonlinear laws, in equilibrium everywhere along the beam; concrete without
  tension also between the cracks: a beam that has cracked and been cycled. Bars keep their bond.
- A tendon without bond slides without friction: one stress, whose strain is the mean strain of
  the concrete beside it over the length without bond (the elongation integral) [1]. Where that
  concrete all bears the moment between the loads, nothing changes; self weight, whose moment is
  curved, makes a small difference.
- Concrete by a table whose stress falls keeps its largest stress along the beam; at the ultimate
  state the section at mid-span has the table as it is.
- Deflection is net, at mid-span, and what the actuator adds: from no load, self weight on the
  beam. Up to decompression the section counts with its modulus of elasticity, and with the bond
  it was built with: the law that serves the ultimate state begins steeper or flatter. Shear
  counts as of uncracked concrete.

Sources
-------
[1] A. E. Naaman et al., ACI Structural Journal 99 (2002), 99-S54: the stress of an unbonded
    tendon depends on the deformation of the whole member. The values that the tests hold this
    module to were computed apart from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import accumulate
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from rig.mechanics.along import Balance, at_ultimate, under
from rig.mechanics.bending import shear_flexibility
from rig.mechanics.equilibrium import makeup, solve, sums
from rig.mechanics.laws import block_stretches, concrete_stress, steel_stress, stretches
from rig.mechanics.section import (
    UNBONDED,
    Ultimate,
    decompression_moment,
    prestress,
    transformed,
    ultimate,
)
from rig.mechanics.shapes import gross, load_at, shear_span
from rig.mechanics.stations import Beam, beam

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.mechanics.either import Either
    from rig.mechanics.equilibrium import Makeup
    from rig.mechanics.laws import Stretch
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

_START = 0.8  # of the ultimate moment: from there the ultimate state is looked for
_MET = 1e-6  # an ultimate strain is met that is missed by this share of it
_GRID = 257  # moments up to decompression at which a curvature is solved; between them linear


@dataclass(frozen=True, slots=True)
class Debonded:
    """Mid-span of a beam with a debonded length, nan where nothing balances.

    All of the shape that `load` [N] and `length` [m] have together, numbers where both were;
    a value a layer of tendons in `tendon_stress` [Pa] and `elongation` [m]: by what the load
    stretches the tendon over its debonded length. `concrete_top` [Pa] is positive in
    compression, `curvature` [1/m] and `deflection` [m] where the beam sags.
    """

    load: Either
    length: Either
    tendon_stress: tuple[Either, ...]
    concrete_top: Either
    curvature: Either
    deflection: Either
    elongation: tuple[Either, ...]


@dataclass(frozen=True, slots=True)
class UltimateAlong:
    """What a beam with a debonded length bears at most, of the shape of `length` [m].

    `moment` [N m] at mid-span, self weight included; `neutral_axis` [m]; `tendon_stress` [Pa] a
    layer of tendons.
    """

    length: Either
    moment: Either
    neutral_axis: Either
    tendon_stress: tuple[Either, ...]


def omega(span: float, a: float, length: Either) -> Either:
    """Return the mean moment over a debonded length, about mid-span, over that at mid-span.

    Without self weight; `a` is the shear span [m]. While the section is uncracked, the stress
    of a straight tendon rises by this share of what it rises with bond. By integration.
    """
    inside = np.clip(length, 0.0, span) - (span - 2 * a)
    outside = np.maximum(inside, 0.0) / 2
    # Of each outer part the moment lacks a triangle of `outside` by outside / a.
    mean = 1 - outside**2 / a / np.maximum(np.clip(length, 0.0, span), span * 1e-12)
    return _plain(mean)


def debonded(specimen: Specimen, load: Either, length: Either) -> Debonded:
    """Return stresses, curvature and deflection at mid-span under actuator loads [N].

    `load` and `length` [m], of tendons without bond about mid-span, broadcast.
    """
    loads, lengths = np.broadcast_arrays(np.asarray(load, float), np.asarray(length, float))
    shape, count = loads.shape, loads.size
    # The state that loads begin from is one more element a length.
    cut = beam(_levelled(specimen), np.tile(lengths.ravel(), 2))
    found = under(cut, np.concatenate((loads.ravel(), np.zeros(count))))
    sag = _sag(cut, found)
    deflection = sag[:count] - sag[count:]
    deflection += loads.ravel() * _shear(specimen)
    stretch = found.strain[:count] - found.strain[count:]

    def shaped(values: FloatArray) -> Either:
        return _plain(values[:count].reshape(shape))

    return Debonded(
        load=_plain(loads),
        length=_plain(lengths),
        tendon_stress=tuple(shaped(s) for s in found.stress.T),
        concrete_top=shaped(np.asarray(concrete_stress(cut.specimen.concrete, found.top[:, -1]))),
        curvature=shaped(found.curvature[:, -1]),
        deflection=shaped(deflection),
        elongation=tuple(
            shaped(2 * half[:count] * s) for half, s in zip(_halves(cut), stretch.T, strict=True)
        ),
    )


def _plain(values: FloatArray) -> Either:
    """Return an array as it is, and one of no dimension as a number."""
    return values if np.ndim(values) else float(values)


def _halves(cut: Beam) -> list[FloatArray]:
    """Return the debonded half length [m] of each tendon, shape (elements,)."""
    return [(cut.share * cut.free(i)).sum(axis=1) for i in range(len(cut.whole))]


def _shear(specimen: Specimen) -> float:
    """Return the deflection by shear per actuator load [m/N]."""
    section = specimen.section
    return shear_flexibility(gross(section).area, specimen.concrete.modulus, shear_span(section))


def _sag(cut: Beam, found: Balance) -> FloatArray:
    """Return the deflection by bending at mid-span [m]: virtual work of a unit load there."""
    curvature = found.curvature + _softer(cut.specimen)(cut.moment(found.load))
    return np.asarray((cut.share * curvature * cut.x).sum(axis=1))


def _softer(specimen: Specimen) -> Callable[[FloatArray], FloatArray]:
    """Return what the elastic curvature [1/m] is more than that of the laws, over the moment.

    Beyond decompression it is what it was there: from there the laws tell of the cracks.
    """
    most = decompression_moment(specimen)
    if not most > 0:
        return np.zeros_like
    moments = np.linspace(0.0, most, _GRID)
    stresses = zip(specimen.tendons, prestress(specimen), strict=True)
    held = [stress if t.bond == UNBONDED else None for t, stress in stresses]
    by_laws = np.asarray(solve(specimen, moments, held).curvature)
    elastic = moments / (specimen.concrete.modulus * transformed(specimen).inertia)
    more = elastic - (by_laws - by_laws[0])

    def softer(moment: FloatArray) -> FloatArray:
        return np.asarray(np.interp(moment, moments, more))

    return softer


def debonded_ultimate(specimen: Specimen, length: Either) -> UltimateAlong:
    """Return what a beam bears at most whose tendons have no bond over lengths [m].

    The top of the concrete at mid-span, or a tendon, is at its ultimate strain.
    """
    lengths = np.asarray(length, float)
    end = _at_midspan(specimen, lengths.ravel())

    def shaped(values: FloatArray) -> Either:
        return _plain(values.reshape(lengths.shape))

    return UltimateAlong(
        _plain(lengths),
        shaped(end.moment),
        shaped(end.top / end.curvature),
        tuple(shaped(s) for s in end.stress.T),
    )


def unbonded_ultimate(specimen: Specimen) -> Ultimate:
    """Return the ultimate state of a specimen as it is built.

    Its "post-tensioned unbonded" tendons have no bond over the whole span, the others keep
    theirs everywhere.
    """
    end = _at_midspan(specimen, np.zeros(1))
    top, curvature = float(end.top[0]), float(end.curvature[0])
    whole = top > specimen.concrete.ultimate_strain * (1 - _MET)
    bars = makeup(specimen).layers[len(specimen.tendons) :]
    return Ultimate(
        moment=float(end.moment[0]),
        neutral_axis=top / curvature,
        top_strain=top,
        tendon_stress=tuple(float(s) for s in end.stress[0]),
        bar_stress=tuple(
            float(steel_stress(b.law, b.modulus, curvature * b.depth - top)) for b in bars
        ),
        part="concrete" if whole else "tendon",
    )


class _Midspan(NamedTuple):
    """Mid-span at ultimate: moment [N m], strains, stress [Pa] of shape (elements, tendons)."""

    moment: FloatArray
    top: FloatArray
    curvature: FloatArray
    stress: FloatArray


def _at_midspan(specimen: Specimen, lengths: FloatArray) -> _Midspan:
    level = _levelled(specimen)
    cut = beam(level, lengths)
    start = load_at(specimen, _START * ultimate(specimen).moment)
    found = at_ultimate(cut, np.full(len(lengths), start))
    moment = cut.moment(found.load)[:, -1]
    end = _Midspan(moment, found.top[:, -1], found.curvature[:, -1], found.stress)
    if specimen.concrete.law == "rectangular block":
        return _by_end_law(specimen, cut, found, end, block_stretches(specimen.concrete))
    if level is not specimen:
        return _by_end_law(specimen, cut, found, end, stretches(specimen.concrete))
    return end


def _levelled(specimen: Specimen) -> Specimen:
    """Return a specimen whose concrete bears its largest stress from there on, itself if it does.

    Where stress falls with strain, one place of a beam strains further while those beside it
    recover: the elongation then depends on nothing but how the beam is cut.
    """
    concrete = specimen.concrete
    highest = tuple(accumulate((stress for _, stress in concrete.law_points), max))
    points = tuple((e, s) for (e, _), s in zip(concrete.law_points, highest, strict=True))
    if points == concrete.law_points:
        return specimen
    return replace(specimen, concrete=replace(concrete, law_points=points))


def _by_end_law(
    specimen: Specimen, cut: Beam, found: Balance, end: _Midspan, law: tuple[Stretch, ...]
) -> _Midspan:
    """Return an ultimate state by a law of that state alone: the block, a stress that falls.

    Along the beam the laws of service hold. They tell which share of the strain of a bonded
    tendon is left to one without bond; the bonded one strains as the law of the end wants it.
    """
    crushing = cut.made.crushing
    tied = replace(
        cut.specimen, tendons=tuple(replace(t, bond="pre-tensioned") for t in specimen.tendons)
    )
    most = ultimate(specimen)
    start = np.full(1, load_at(specimen, _START * most.moment))
    bonded = at_ultimate(beam(tied, np.zeros(1)), start)
    before = np.array([t.prestrain for t in cut.tendons])
    with_bond = most.top_strain * (np.array([t.depth for t in cut.tendons]) / most.neutral_axis - 1)
    strain = before + (found.strain - before) / (bonded.strain - before) * with_bond
    stress = np.stack(
        [steel_stress(t.law, t.modulus, strain[:, i]) for i, t in enumerate(cut.tendons)], axis=1
    )
    made = replace(cut.made, law=law)
    curvature = _crushing_curvature(made, stress)
    moment = np.asarray(sums(made, crushing, curvature, list(stress.T)).moment)
    rupture = np.array([t.rupture for t in cut.tendons])
    by_tendon = np.any(strain > rupture * (1 - _MET), axis=1)
    return _Midspan(
        np.where(by_tendon, end.moment, moment),
        np.where(by_tendon, end.top, crushing),
        np.where(by_tendon, end.curvature, curvature),
        np.where(by_tendon[:, None], end.stress, stress),
    )


def _crushing_curvature(made: Makeup, stress: FloatArray) -> FloatArray:
    """Return the curvature [1/m] with the top at its ultimate strain and no axial force left."""
    low = np.full(len(stress), 1e-6 * made.height)
    high = np.full(len(stress), 10 * made.height)
    for _ in range(60):
        axis = np.sqrt(low * high)
        short = sums(made, made.crushing, made.crushing / axis, list(stress.T)).force < 0
        low, high = np.where(short, axis, low), np.where(short, high, axis)
    return made.crushing / high
