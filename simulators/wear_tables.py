"""What losing bond does to the specimen in a simulated rig: tables over the length without bond.

Made once from `rig.mechanics`, cracks smeared out. Up to the load span nothing changes; then the
tendon is stressed less, the concrete more. A pre-tensioned tendon is anchored by what bond is left
behind the lost one. Where that is no longer enough for the upper load, the tendon is drawn in and
prestress is lost until it is: the last part of the tables. An unbonded tendon has anchorages and
loses nothing.

All constants named here are invented for the demonstration.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np

from rig.mechanics.concrete_life import gradient_factor
from rig.mechanics.laws import strength
from rig.mechanics.prediction import AtLoad, hardest_tendon, under_load
from rig.mechanics.section import UNBONDED, ultimate
from rig.mechanics.shapes import load_at
from rig.mechanics.smeared import Debonded, debonded, debonded_ultimate
from rig.mechanics.specimen import Specimen, Tendon
from rig.samples import FloatArray

WET_STRENGTH: Final = 25 / 30
"""Strength of concrete under water over that in air (common practice, no source)."""

ANCHORING: Final = 8e6  # Pa of bond between a pre-tensioned strand and the concrete
OVERHANG: Final = 0.075  # m of the specimen beyond each support
STRAND: Final = 150e-6  # m2, the largest strand a layer is taken to be made of
WIRES: Final = 7  # in a strand
FILLED: Final = 0.776  # steel in the circle about a strand
ROUND: Final = 4 / 3  # surface of a strand over that of the circle
DRAWN: Final = (0.92, 0.81, 0.69, 0.55)  # shares of prestress at the last nodes
NODES: Final = 4  # of lengths from the load span on until the tendon is drawn in
LOADS: Final = 13  # loads of the basic curve, up to
FURTHEST: Final = 1.15  # of the upper load


@dataclass(frozen=True, slots=True)
class Place:
    """How a specimen stands: all shares are of what they were in one without wear.

    Prestress; sag, top stress of the concrete, and stress range of the tendon at the upper load;
    strength; and slip of the tendon's ends [m].
    """

    prestress: float = 1.0
    sag: float = 1.0
    top: float = 1.0
    range: float = 1.0
    strength: float = 1.0
    slip: float = 0.0


NAMES: Final = tuple(f.name for f in fields(Place))


@dataclass(frozen=True, slots=True, eq=False)
class WearTables:
    """Tables of one specimen under one pair of actuator loads [N].

    `lengths` [m] without bond and the `places` there, one alone where no bond can be lost; at the
    last one the specimen is gone. `loads` [N] with the top stress of the concrete, and the stress
    of the hardest tendon layer [Pa], of a specimen without wear. `gradient` is what the stress
    gradient makes of the top stress. `hardest` layer of tendons and its `wires`, 0 without.
    `wet_strength` is that of the concrete in water over the one it has.
    """

    specimen: Specimen
    lower: float
    upper: float
    lengths: tuple[float, ...]
    places: tuple[Place, ...]
    loads: tuple[float, ...]
    concrete: tuple[float, ...]
    tendon: tuple[float, ...]
    gradient: float
    hardest: int
    wires: int
    wet_strength: float

    @property
    def furthest(self) -> float:
        """The length without bond at which the tendon is drawn out [m], infinite where never."""
        return self.lengths[-1] if len(self.lengths) > 1 else math.inf

    def place(self, length: float) -> Place:
        """Return how the specimen stands with a length without bond [m]."""
        index = _segment(self.lengths, length)
        if index < 0:
            return self.places[-1] if length >= self.lengths[-1] else self.places[0]
        begin, end = self.lengths[index], self.lengths[index + 1]
        share = (length - begin) / (end - begin)
        one, other = self.places[index], self.places[index + 1]
        return Place(*((1 - share) * getattr(one, n) + share * getattr(other, n) for n in NAMES))

    def softening(self, length: float) -> float:
        """Return by which share sag grows a metre without bond more [1/m]."""
        index = _segment(self.lengths, length)
        if index < 0:
            return 0.0
        rise = self.places[index + 1].sag - self.places[index].sag
        return rise / (self.lengths[index + 1] - self.lengths[index]) / self.places[index].sag

    def concrete_at(self, load: float) -> float:
        """Return the top stress of the concrete without wear at an actuator load [Pa]."""
        return _between(self.loads, self.concrete, load)

    def tendon_at(self, load: float) -> float:
        """Return the stress of the hardest tendon layer without wear at an actuator load [Pa]."""
        return _between(self.loads, self.tendon, load)

    def without(self, wires: int) -> Place:
        """Return how the specimen stands with so many wires of its hardest layer broken.

        Where it cannot bear the upper load any more it sags as with one wire more.
        """
        if not wires:
            return Place()
        left = max(1 - wires / self.wires, 0.5 / self.wires)
        broken = with_layer(self.specimen, self.hardest, area=left)
        inner, loads = self.specimen.section.load_spacing, (self.lower, self.upper)
        before, after = (debonded_ultimate(s, inner).moment for s in (self.specimen, broken))
        strength = float(load_at(self.specimen, after)) / float(load_at(self.specimen, before))
        strength = max(strength, 0.0) if math.isfinite(strength) else left
        old, new = (_cycle(s, self.hardest, loads, inner) for s in (self.specimen, broken))
        if not math.isfinite(new.sag):
            return replace(self.without(wires - 1), prestress=left, strength=strength)
        return Place(left, new.sag / old.sag, new.top / old.top, new.range / old.range, strength)


@dataclass(frozen=True, slots=True)
class _Cycle:
    """Sag [m], top stress, stress of the tendon [Pa] at the upper load, and range of that [Pa]."""

    sag: float
    top: float
    stress: float
    range: float

    @classmethod
    def of(cls, along: Debonded, layer: int, at: int) -> _Cycle:
        """Return what stands in arrays at an index, those of the lower load being the first."""
        stress = np.zeros(at + 1)
        if along.tendon_stress:
            stress = np.asarray(along.tendon_stress[layer])
        sag, top = np.asarray(along.deflection), np.asarray(along.concrete_top)
        return cls(float(sag[at]), float(top[at]), float(stress[at]), float(stress[at] - stress[0]))


def _cycle(specimen: Specimen, layer: int, loads: tuple[float, float], length: float) -> _Cycle:
    """Return what a cycle between two loads [N] does with a length without bond [m]."""
    return _Cycle.of(debonded(specimen, np.array(loads), length), layer, 1)


def wear_tables(
    specimen: Specimen, lower: float, upper: float, wet_strength: float = WET_STRENGTH
) -> WearTables:
    """Return the tables of a specimen that is cycled between two actuator loads [N].

    Raises ValueError where it cannot bear the upper load.
    """
    low, high = under_load(specimen, lower), under_load(specimen, upper)
    if not high.carried:
        raise ValueError(f"{specimen.name} cannot bear {upper / 1e3:.4g} kN")
    hard = hardest_tendon(low, high)
    layer = hard.layer if hard is not None else 0
    hold = _anchorage(specimen, layer)
    lengths = _intact_lengths(specimen, hold, high)
    loads = np.linspace(0.0, FURTHEST * upper, LOADS)
    # All at once: a call with many loads and lengths costs little more than one with two.
    along = debonded(
        specimen,
        np.concatenate(([lower], np.full(len(lengths), upper), loads)),
        np.concatenate((lengths[:1], lengths, np.full(LOADS, lengths[0]))),
    )
    cycles = [_Cycle.of(along, layer, i) for i in range(1, len(lengths) + 1)]
    lengths[0] = 0.0
    places = [_place(cycles[0], cycle) for cycle in cycles]
    if hold is not None:
        _weaken(specimen, hold, lengths, places)
        _draw_in(specimen, hold, (lower, upper), cycles, lengths, places)
    stress = np.asarray(along.tendon_stress[layer]) if specimen.tendons else np.zeros(LOADS)
    return WearTables(
        specimen,
        lower,
        upper,
        tuple(lengths),
        tuple(places),
        tuple(loads.tolist()),
        _known(np.asarray(along.concrete_top)[-LOADS:]),
        _known(stress[-LOADS:]),
        float(gradient_factor(high.concrete_top, high.inner)),
        layer,
        WIRES * _strands(specimen.tendons[layer]) if specimen.tendons else 0,
        wet_strength,
    )


@dataclass(frozen=True, slots=True)
class _Anchorage:
    """What holds a pre-tensioned layer: stress [Pa] a metre of bond from its end, and metres."""

    layer: int
    stress: float
    half: float

    def at(self, length: float) -> float:
        """Return the stress [Pa] that is anchored with a length without bond [m]."""
        return self.stress * max(0.0, self.half - length / 2)

    def enough_for(self, stress: float) -> float:
        """Return the length without bond [m] at which a stress [Pa] is just anchored."""
        return 2 * (self.half - stress / self.stress)


def _anchorage(specimen: Specimen, layer: int) -> _Anchorage | None:
    """Return what holds a layer: as built, what it can bear; None for one with anchorages."""
    if not specimen.tendons or specimen.tendons[layer].bond == UNBONDED:
        return None
    tendon = specimen.tendons[layer]
    each = tendon.area / _strands(tendon)
    surface = ROUND * math.pi * math.sqrt(4 * each / (math.pi * FILLED)) / each
    half = specimen.section.span / 2 + OVERHANG
    return _Anchorage(layer, max(ANCHORING * surface, 1.1 * strength(tendon) / half), half)


def _intact_lengths(specimen: Specimen, hold: _Anchorage | None, high: AtLoad) -> list[float]:
    """Return the lengths without bond [m] at which all prestress is there: the first is none.

    Within the load span the concrete along the tendon is stressed alike, as with bond.
    """
    inner, span = specimen.section.load_spacing, specimen.section.span
    if hold is None:
        return [inner]
    last = min(hold.enough_for(high.tendon_stress[hold.layer]), span)
    return [inner, *np.linspace(min(inner, 0.9 * last), last, NODES).tolist()]


def _place(first: _Cycle, cycle: _Cycle) -> Place:
    """Return how a specimen stands in a cycle, over the first one."""
    rising = cycle.range / first.range if first.range > 0 else 1.0
    return Place(sag=cycle.sag / first.sag, top=cycle.top / first.top, range=rising)


def _weaken(
    specimen: Specimen, hold: _Anchorage, lengths: list[float], places: list[Place]
) -> None:
    """Let bond that is too short for the ultimate stress take from the strength."""
    inner = specimen.section.load_spacing
    most = debonded_ultimate(specimen, np.maximum(lengths, inner))
    loads = np.asarray(load_at(specimen, most.moment))
    stresses = np.asarray(most.tendon_stress[hold.layer])
    for i, length in enumerate(lengths):
        anchored = stresses[i] <= hold.at(length)
        left = float(loads[i]) if anchored else _bearing(specimen, hold, length)
        places[i] = replace(places[i], strength=left / float(loads[0]))


def _bearing(specimen: Specimen, hold: _Anchorage, length: float) -> float:
    """Return the load [N] a specimen bears whose tendon has no more stress than is anchored."""
    held: list[float | None] = [None] * len(specimen.tendons)
    held[hold.layer] = hold.at(length)
    return float(load_at(specimen, ultimate(specimen, held).moment))


def _draw_in(
    specimen: Specimen,
    hold: _Anchorage,
    loads: tuple[float, float],
    cycles: list[_Cycle],
    lengths: list[float],
    places: list[Place],
) -> None:
    """Go on with what happens once the bond left does not anchor the upper load any more."""
    tendon, last = specimen.tendons[hold.layer], lengths[-1]
    whole = _bearing(specimen, hold, last) / places[-1].strength
    for share in DRAWN:
        less = with_layer(specimen, hold.layer, stress=share)
        cycle = _cycle(less, hold.layer, loads, last)
        length = hold.enough_for(cycle.stress)
        if not math.isfinite(cycle.sag) or length <= lengths[-1]:
            return
        slip = (1 - share) * tendon.stress / tendon.modulus * hold.half
        strength = _bearing(less, hold, length) / whole
        place = _place(cycles[0], cycle)
        place = replace(place, prestress=share, strength=strength, slip=slip)
        lengths.append(length)
        places.append(place)


def _strands(tendon: Tendon) -> int:
    """Return of how many strands a layer is taken to be made."""
    return max(1, math.ceil(tendon.area / STRAND))


def with_layer(
    specimen: Specimen, layer: int, *, area: float = 1.0, stress: float = 1.0
) -> Specimen:
    """Return a specimen whose layer of tendons has shares of its area and prestress."""
    tendons = list(specimen.tendons)
    tendon = tendons[layer]
    tendons[layer] = replace(tendon, area=area * tendon.area, stress=stress * tendon.stress)
    return replace(specimen, tendons=tuple(tendons))


def _known(values: FloatArray) -> tuple[float, ...]:
    """Return values in the places of those that are nan as the last one before them."""
    found = [float(v) for v in values]
    for i in range(1, len(found)):
        if math.isnan(found[i]):
            found[i] = found[i - 1]
    return tuple(found)


def _segment(values: Sequence[float], at: float) -> int:
    """Return the index of the value below `at`, -1 outside the values."""
    index = bisect_right(values, at) - 1
    return index if index + 1 < len(values) else -1


def _between(xs: Sequence[float], ys: Sequence[float], at: float) -> float:
    """Return the value at a place between others, outside of them the nearest."""
    index = _segment(xs, at)
    if index < 0:
        return ys[-1] if at >= xs[-1] else ys[0]
    share = (at - xs[index]) / (xs[index + 1] - xs[index])
    return ys[index] + share * (ys[index + 1] - ys[index])
