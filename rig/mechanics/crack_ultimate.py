"""What a beam with a discrete crack bears at most, over the length of the bond it has lost.

The assumptions are those of `rig.mechanics.discrete`. The hinge is in equilibrium with the top of
the concrete at its ultimate strain; where a tendon would have to strain further than it can by
then, with that tendon at its own. One strain is known, so one number is sought at which no axial
force is left: the depth of the neutral axis, or the strain of the top. The force rises with either,
so the search keeps between bounds. The moment that is borne tells the load, which strains the
concrete between the cracks and so changes the elongations a little: by turns.

A tendon whose bond bears no more is pulled in, and the concrete crushes with what stress it has.

Arrays have the shape (elements,) or (elements, loose tendons).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from rig.mechanics.crack import Crack, Cracks, crack_at, loaded, loose_tendons
from rig.mechanics.equilibrium import Makeup, Strains, makeup, sums
from rig.mechanics.hinge import Borne, borne
from rig.mechanics.laws import block_stretches, steel_stress
from rig.mechanics.section import ultimate
from rig.mechanics.shapes import load_at
from rig.mechanics.slipping import elongation, slipped
from rig.mechanics.smeared import UltimateAlong, debonded_ultimate
from rig.mechanics.whole_concrete import whole_concrete

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.mechanics.bond_laws import BondLaw
    from rig.mechanics.either import Either
    from rig.mechanics.specimen import Specimen
    from rig.samples import FloatArray

_TURNS: Final = 15
_STEPS: Final = 16
_CLOSE: Final = 1e-9  # share of what is sought
_ENOUGH: Final = 1e-6  # the same: what has come no nearer has no equilibrium
_SETTLED: Final = 2e-5  # share of the moment: what is left then is a hundredth of it
_DEEP: Final = 20.0  # heights: furthest neutral axis
_BEGUN: Final = 0.2  # the same: where to begin where a section with bond has none
_LEAST: Final = 1e-8  # share of the upper bound of what is sought: the lower one
_PRESSED: Final = 1e-6  # the same: below it nothing is looked for
_LITTLE: Final = 1e-6  # share of what is sought by which a force is differentiated
_NONE: Final = -1  # number of no layer


def ultimate_at_crack(
    specimen: Specimen,
    length: Either,
    bond: BondLaw,
    spacing: float | None = None,
    diameter: float | None = None,
) -> UltimateAlong:
    """Return what a beam bears at most whose tendons have lost their bond at a crack.

    `length` [m], of both faces, and the rest as in `discrete.at_crack`. What ends before its crack
    opens is a beam with bond. nan where nothing balances. ValueError without tendons.
    """
    lengths = np.asarray(length, float)
    concrete = whole_concrete(specimen, loose_tendons(specimen))
    none, cracks = np.zeros(lengths.size), Cracks(bond, spacing, diameter)
    crack = crack_at(specimen, concrete, cracks, none, lengths.ravel())
    found = _ended(crack)
    moment, stress = found.moment, _stresses(crack, found)
    axis = np.asarray(found.strains.top / found.strains.curvature)
    if not ultimate(specimen).moment > concrete.moment:
        whole = debonded_ultimate(specimen, 0.0)
        moment, axis = (np.full_like(moment, v) for v in (whole.moment, whole.neutral_axis))
        stress = np.tile(np.array(whole.tendon_stress), (len(moment), 1))

    def shaped(values: FloatArray) -> Either:
        known = np.where(np.isnan(moment), np.nan, values)
        return known.reshape(lengths.shape) if lengths.shape else float(known[0])

    return UltimateAlong(
        lengths if lengths.shape else float(lengths),
        shaped(moment),
        shaped(axis),
        tuple(shaped(s) for s in stress.T),
    )


class _Found(NamedTuple):
    """A hinge in equilibrium; `moment` [N m] is nan where there is none.

    `sought` is the number that was sought, `strain` that of the loose tendons.
    """

    sought: FloatArray
    strains: Strains
    moment: FloatArray
    strain: FloatArray


@dataclass(frozen=True, slots=True)
class _Crushing:
    """Hinges whose top is at its ultimate strain; sought is the neutral axis [m]."""

    made: Makeup

    @property
    def bounds(self) -> tuple[float, float]:
        """Between what the neutral axis lies."""
        return _LEAST * _DEEP * self.made.height, _DEEP * self.made.height

    def strains(self, _: Crack, sought: FloatArray, __: FloatArray) -> tuple[Strains, FloatArray]:
        """Return strains of the hinge, and what a little deeper an axis makes of them."""
        top = np.full_like(sought, self.made.crushing)
        return Strains(top, top / sought), np.stack([0.0 * top, -top / sought**2])


@dataclass(frozen=True, slots=True)
class _Tearing:
    """Hinges with one layer of tendons at its ultimate strain; sought is the strain of the top.

    `layer` [1] is its number in the specimen, shape (elements,).
    """

    made: Makeup
    layer: NDArray[np.intp]

    @property
    def bounds(self) -> tuple[float, float]:
        """Between what the strain of the top lies."""
        return _LEAST * self.made.crushing, self.made.crushing

    def strains(
        self, crack: Crack, sought: FloatArray, strain: FloatArray
    ) -> tuple[Strains, FloatArray]:
        """Return strains of the hinge, and what a little more strain of the top makes of them."""
        layers = self.made.layers
        depth = np.array([t.depth for t in layers])[self.layer]
        beside = np.array([t.rupture - t.prestrain for t in layers])[self.layer]
        for i, number in enumerate(crack.numbers):
            here = self.layer == number
            torn = strain.copy()
            torn[:, i] = layers[number].rupture
            beside = np.where(here, slipped(crack, torn).length[:, i] / crack.hinge, beside)
        return (
            Strains(sought, (beside + sought) / depth),
            np.stack([np.ones_like(depth), 1 / depth]),
        )


# Where a search runs away it ends as nan, without a word.
@np.errstate(invalid="ignore", over="ignore", divide="ignore")
def _ended(crack: Crack) -> _Found:
    """Return hinges at their ultimate."""
    made = service = makeup(crack.specimen)
    if crack.specimen.concrete.law == "rectangular block":
        made = replace(service, law=block_stretches(crack.specimen.concrete))
    crushed = _balanced(crack, _Crushing(made), _begun(crack, made))
    layer = _first_torn(crack, service, crushed)
    if np.all(layer == _NONE):
        return crushed
    # Concrete that is not at its ultimate has the law of service, whatever its block is. Where
    # that bears less than the block, both end together.
    half = np.full_like(crushed.moment, service.crushing / 2)
    begun = crushed._replace(sought=half, moment=np.where(layer == _NONE, np.nan, crushed.moment))
    torn = _balanced(crack, _Tearing(service, layer), begun)
    ends = ~np.isnan(torn.moment)
    return _Found(
        np.where(ends, torn.sought, crushed.sought),
        Strains(
            np.where(ends, torn.strains.top, crushed.strains.top),
            np.where(ends, torn.strains.curvature, crushed.strains.curvature),
        ),
        np.where(ends, torn.moment, crushed.moment),
        np.where(ends[:, None], torn.strain, crushed.strain),
    )


def _begun(crack: Crack, made: Makeup) -> _Found:
    """Return the section with bond at its ultimate: hinges to begin the search at."""
    count, end = len(crack.moment), ultimate(crack.specimen)
    axis = end.neutral_axis if np.isfinite(end.neutral_axis) else _BEGUN * made.height
    bent, tendons = made.crushing / axis, crack.concrete.tendons
    strain = np.array([t.prestrain + bent * t.depth - made.crushing for t in tendons])
    moment = np.full(count, end.moment)
    return _Found(
        np.full(count, axis),
        Strains(np.full(count, made.crushing), np.full(count, bent)),
        np.where(np.isnan(moment), crack.concrete.moment, moment),
        np.minimum(strain, crack.most),
    )


def _balanced(crack: Crack, kind: _Crushing | _Tearing, found: _Found) -> _Found:
    """Return hinges without axial force, under the loads that they bear."""
    for _ in range(_TURNS):
        before = found.moment
        crack = loaded(crack, np.asarray(load_at(crack.specimen, before)))
        found = _without_force(crack, kind, found)
        moving = np.abs(found.moment - before) > _SETTLED * np.abs(before)
        if not np.any(moving):
            break
    return found._replace(moment=np.where(moving, np.nan, found.moment))


def _without_force(crack: Crack, kind: _Crushing | _Tearing, found: _Found) -> _Found:
    """Return hinges under one load whose axial force is none: Newton's steps between bounds."""
    low, high = (np.full_like(found.sought, bound) for bound in kind.bounds)
    at, strain = np.clip(found.sought, low, high), found.strain
    for _ in range(_STEPS):
        strains, more = kind.strains(crack, at, strain)
        now = borne(crack, kind.made, strains, strain)
        strain = now.strain
        step = -now.force / _rise(kind, now, strains, more, at)
        low, high = np.where(now.force < 0, at, low), np.where(now.force < 0, high, at)
        left = np.abs(step) / at
        # Nothing holds a hinge that is hardly pressed: its search ends at the bound.
        moves = (left > _CLOSE) & (at > _PRESSED * kind.bounds[1])
        if not np.any(moves):
            break
        there = at + step
        there = np.where((there > low) & (there < high), there, np.sqrt(low * high))
        at = np.where(moves, there, at)
    moment = np.where(left < _ENOUGH, now.moment, np.nan)
    return _Found(at, strains, moment, strain)


def _rise(
    kind: _Crushing | _Tearing, now: Borne, strains: Strains, more: FloatArray, at: FloatArray
) -> FloatArray:
    """Return by how much the force rises with what is sought; a block's edge moves as well."""
    bare = replace(kind.made, layers=())
    little = _LITTLE * at
    one = sums(bare, strains.top, strains.curvature)
    other = sums(bare, strains.top + little * more[0], strains.curvature + little * more[1])
    steel = (now.k00 - one.k0) * more[0] - (now.k01 - one.k1) * more[1]
    return np.asarray(steel + (other.force - one.force) / little)


def _first_torn(crack: Crack, made: Makeup, found: _Found) -> NDArray[np.intp]:
    """Return the layer that has passed its ultimate strain by most, `_NONE` where none has."""
    layers = made.layers[: len(crack.specimen.tendons)]
    strains = [np.asarray(t.prestrain - found.strains.at(t.depth)) for t in layers]
    over = np.stack([s / t.rupture for s, t in zip(strains, layers, strict=True)], axis=1)
    wanted = elongation(crack, found.strains) / slipped(crack, found.strain).length
    for i, number in enumerate(crack.numbers):
        # A tendon that is pulled in never strains so far.
        breaks = found.strain[:, i] >= layers[number].rupture
        over[:, number] = np.where(breaks, wanted[:, i], 0.0)
    return np.where(np.nanmax(over, axis=1, initial=0.0) >= 1, np.argmax(over, axis=1), _NONE)


def _stresses(crack: Crack, found: _Found) -> FloatArray:
    """Return the stress [Pa] of each layer of tendons, shape (elements, layers)."""
    layers = makeup(crack.specimen).layers[: len(crack.specimen.tendons)]
    strains = [np.asarray(t.prestrain - found.strains.at(t.depth)) for t in layers]
    for i, number in enumerate(crack.numbers):
        strains[number] = found.strain[:, i]
    return np.stack(
        [steel_stress(t.law, t.modulus, s) for t, s in zip(layers, strains, strict=True)], axis=1
    )
