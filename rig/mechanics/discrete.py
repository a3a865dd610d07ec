"""A beam with discrete cracks from whose faces the tendons lose their bond.

What is assumed of it:

- One crack at mid-span, or cracks a spacing apart between the loads, each under the moment of
  mid-span. On both faces the tendon has lost its bond over half of the debonded length, without
  friction; beyond it a bond-slip law passes its stress on to the concrete (`bond_zone`).
- At the crack the section bears its moment by the nonlinear laws without tension, plane over a
  hinge of one structural length: the spacing, at most the height of the section [1]. What the
  hinge is longer at the depth of a tendon than the whole concrete would be is the opening there,
  and twice the slip of the tendon at the crack's face. So a tendon free over a hinge's length
  has the stress of a section with bond; one that slips less has more of it, one that slips more
  has less, and the top of the concrete bears what the shorter lever arm takes.
- Between cracks the concrete is whole and plane, with the stiffness that its law has at no
  stress; it goes on from the state at decompression, at which the crack opens.
- Layers above half of the height, and bars, keep their bond; the deepest layer never does.
  "post-tensioned unbonded" tendons have no bond over the whole span, and are anchored.
- Towards the end of the beam (taken over the support) a crack by itself shares the bond that is
  left with the transfer of the prestress: where both need it, the tendon slips all along, and its
  end with it. All that is left bears no more than the peak of the law; a tendon that wants more
  is pulled in until the section balances, or nothing does.
- A tendon that must yield over no length at all breaks: nan.
- A layer is one round bar unless `diameter` [m] says of what wires it is: the least perimeter.

Sources
-------
[1] fib Model Code 2010, 5.6.4: structural characteristic length by which an opening becomes a
    strain, the smaller of crack spacing and depth of the section; from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from rig.mechanics.bending import (
    constant_moment_deflection,
    midspan_flexibility,
    shear_flexibility,
)
from rig.mechanics.crack import Crack, Cracks, crack_at, loose_tendons
from rig.mechanics.equilibrium import makeup
from rig.mechanics.hinge import Opened, opened
from rig.mechanics.laws import concrete_stress, steel_stress
from rig.mechanics.section import UNBONDED, cracking_moment, transformed
from rig.mechanics.shapes import gross, load_at, moment_under, shear_span
from rig.mechanics.smeared import debonded
from rig.mechanics.whole_concrete import whole_concrete

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.mechanics.bond_laws import BondLaw
    from rig.mechanics.either import Either
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

_LOADS: Final = 9
_LENGTHS: Final = 200
"""Rows and columns of the table from which a length is read."""


@dataclass(frozen=True, slots=True)
class AtCrack:
    """A crack at mid-span, nan where nothing balances; of the shape of load and length together.

    `opening` [m] is that at the bottom face, 0 where the crack is closed; `concrete_top` [Pa]
    lies over it, positive in compression; `deflection` [m] is net, at mid-span, what the
    actuator adds. A value a layer of tendons: `tendon_stress` [Pa] at the crack, `end_slip` [m]
    at each end since the test began, `reach` [m] from the crack to where the tendon does not
    slip; both are 0 of a layer that keeps its bond.
    """

    load: Either
    length: Either
    opening: Either
    tendon_stress: tuple[Either, ...]
    concrete_top: Either
    deflection: Either
    end_slip: tuple[Either, ...]
    reach: tuple[Either, ...]


def at_crack(
    specimen: Specimen,
    load: Either,
    length: Either,
    bond: BondLaw,
    spacing: float | None = None,
    diameter: float | None = None,
) -> AtCrack:
    """Return a crack at mid-span under actuator loads [N] with debonded lengths [m].

    `load` and `length`, of both faces together, broadcast. Without a `spacing` [m] of cracks
    there is one; with it a debonded length counts up to it. `diameter` [m] is that of one wire.
    ValueError without tendons.
    """
    loads, lengths = np.broadcast_arrays(np.asarray(load, float), np.asarray(length, float))
    cracks = Cracks(bond, spacing, diameter)
    end = _of_all(specimen, cracks, loads.ravel(), lengths.ravel())

    def shaped(values: FloatArray) -> Either:
        return values.reshape(loads.shape) if loads.shape else float(values[0])

    return AtCrack(
        shaped(loads.ravel()),
        shaped(lengths.ravel()),
        shaped(end.opening),
        tuple(shaped(s) for s in end.stress.T),
        shaped(end.top),
        shaped(end.deflection),
        tuple(shaped(s) for s in end.at_end.T),
        tuple(shaped(s) for s in end.reach.T),
    )


class _End(NamedTuple):
    """What `AtCrack` says of elements in a row, and of all tendons."""

    opening: FloatArray
    top: FloatArray
    deflection: FloatArray
    stress: FloatArray
    at_end: FloatArray
    reach: FloatArray


def _of_all(specimen: Specimen, cracks: Cracks, load: FloatArray, length: FloatArray) -> _End:
    """Return the ends of open and closed cracks; a closed one is not looked for."""
    concrete = whole_concrete(specimen, loose_tendons(specimen))
    closed = np.asarray(moment_under(specimen, load)) <= concrete.moment
    count, layers = load.size, len(specimen.tendons)
    shapes = (count, count, count, (count, layers), (count, layers), (count, layers))
    end = _End(*(np.zeros(shape) for shape in shapes))
    if not np.all(closed):
        crack = crack_at(specimen, concrete, cracks, load[~closed], length[~closed])
        for part, found in zip(end, _end(crack, opened(crack), cracks.spacing), strict=True):
            part[~closed] = found
    if np.any(closed):
        # A beam with bond, the same one at every length.
        loads, which = np.unique(load[closed], return_inverse=True)
        state = debonded(specimen, loads, 0.0)
        end.top[closed] = np.asarray(state.concrete_top)[which]
        end.deflection[closed] = np.asarray(state.deflection)[which]
        end.stress[closed] = np.stack(state.tendon_stress, axis=1)[which]
    return end


def _end(crack: Crack, found: Opened, spacing: float | None) -> _End:
    specimen, whole = crack.specimen, crack.concrete
    height, strains = specimen.section.height, found.strains
    opening, above = (
        crack.hinge * (-strains.at(y) - whole.at(y, crack.moment, found.felt))
        for y in (height, 0.0)
    )
    made = makeup(specimen)
    stress = np.stack(
        [
            steel_stress(t.law, t.modulus, t.prestrain - strains.at(t.depth))
            for t in made.layers[: len(specimen.tendons)]
        ],
        axis=1,
    )
    at_end, reach = np.zeros_like(stress), np.zeros_like(stress)
    numbers = list(crack.numbers)
    stress[:, numbers] = found.stress
    at_end[:, numbers] = found.at_end
    reach[:, numbers] = crack.free / 2 + found.reach
    return _End(
        opening=np.maximum(opening, 0.0),
        top=np.asarray(concrete_stress(specimen.concrete, strains.top)),
        deflection=_deflection(crack, found, (opening - above) / height, spacing),
        stress=stress,
        at_end=at_end,
        reach=reach,
    )


def _deflection(
    crack: Crack, found: Opened, rotation: FloatArray, spacing: float | None
) -> FloatArray:
    """Return net deflection [m]: of the whole beam, by its cracks, by bond that is lost."""
    specimen, section, whole = crack.specimen, crack.specimen.section, crack.concrete
    span, a, modulus = section.span, shear_span(section), specimen.concrete.modulus
    flexibility = midspan_flexibility(modulus * transformed(specimen).inertia, span, a)
    flexibility += shear_flexibility(gross(section).area, modulus, a)
    if spacing is None:
        bent = rotation * span / 4
    else:
        bent = constant_moment_deflection(rotation / spacing, span, a)
    pull = found.stress - whole.stress
    more = pull - whole.far(crack.mean, pull)
    free = np.where(whole.anchored, crack.free, crack.free if spacing is None else 0.0)
    levers = np.array([t.area * whole.bends(t.depth) for t in whole.tendons])
    lifted = more * levers * free / 2 * (span / 2 - free / 4)
    return np.asarray(crack.load * flexibility + bent - lifted.sum(axis=1))


def crack_spacing(
    specimen: Specimen, bond: BondLaw, diameter: float | None = None
) -> tuple[float, float]:
    """Return the least and the largest spacing [m] of cracks that loads make.

    Beside a new crack the tendons need some length to give the concrete its stress back: no
    second crack forms within it, one does within twice as much (any book on cracking). It is
    that of the tendon which needs most, at the load of the first crack. Infinite without bond.
    """
    load = load_at(specimen, cracking_moment(specimen))
    reach = at_crack(specimen, load, 0.0, bond, None, diameter).reach
    layers = ((i, specimen.tendons[i].bond) for i in loose_tendons(specimen))
    least = max((float(reach[i]) for i, kind in layers if kind != UNBONDED), default=math.inf)
    return least, 2 * least


def debonded_length(
    specimen: Specimen,
    opening: Either,
    load: Either,
    bond: BondLaw,
    spacing: float | None = None,
    diameter: float | None = None,
) -> Either:
    """Return the debonded length [m] that opens a crack as far [m] at the bottom under a load [N].

    The inverse of `at_crack`, for arrays of cycles; `opening` and `load` broadcast. nan where a
    crack with full bond is wider or none is as wide, where it is closed, and for nan.
    """
    wide, loads = np.broadcast_arrays(np.asarray(opening, float), np.asarray(load, float))
    found = np.full(wide.size, np.nan)
    known = np.isfinite(wide.ravel()) & np.isfinite(loads.ravel())
    if np.any(known):
        at = loads.ravel()[known]
        # One load has two rows as well: what lies between them is then either.
        rows = np.linspace(at.min(), at.max(), _LOADS if np.ptp(at) > 0 else 2)
        most = min(spacing or math.inf, specimen.section.span)
        lengths = most * np.linspace(0.0, 1.0, _LENGTHS)
        loads_once, which = np.unique(rows, return_inverse=True)
        table = at_crack(specimen, loads_once[:, None], lengths, bond, spacing, diameter)
        openings = np.asarray(table.opening)[which]
        found[known] = _length_of(wide.ravel()[known], at, (rows, lengths, openings))
    return found.reshape(wide.shape) if wide.shape else float(found[0])


def _length_of(
    wide: FloatArray, load: FloatArray, table: tuple[FloatArray, FloatArray, FloatArray]
) -> FloatArray:
    """Return the lengths [m] at which cracks are so wide; table: loads, lengths, openings.

    Between loads and between lengths the openings are lines; halving finds the length.
    """
    rows, lengths, openings = table
    step = rows[1] - rows[0]
    share = (load - rows[0]) / step if step > 0 else np.zeros_like(load)
    row = np.clip(share.astype(int), 0, len(rows) - 2)
    share = share - row

    def opens(column: NDArray[np.intp]) -> FloatArray:
        one, other = openings[row, column], openings[row + 1, column]
        # What nothing holds is wider than any opening.
        return np.where(np.isnan(one + other), np.inf, one + share * (other - one))

    low, high = np.zeros_like(row), np.full_like(row, len(lengths) - 1)
    outside = (opens(low) > wide) | (opens(low) <= 0) | (opens(high) < wide)
    for _ in range(len(lengths).bit_length()):
        middle = (low + high) // 2
        under = opens(middle) <= wide
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    one, other = opens(low), opens(high)
    part = (wide - one) / np.maximum(other - one, 1e-300)
    inside = lengths[low] + part * (lengths[high] - lengths[low])
    return np.where(outside | ~np.isfinite(other), np.nan, inside)
