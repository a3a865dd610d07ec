"""How cycles and water wear a simulated specimen, and what is left of it.

Bond is worn off from the cracks on, faster the more the tendon's stress swings and much faster
where the crack is full of water. With the length without bond the stresses change as `wear_tables`
says; at these the mean models of `rig.mechanics` add up damage, of concrete and of the hardest
tendon layer, whose wires break one by one. Concrete in water has its strength in the wet state.

All constants named here are invented for the demonstration, unless said otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from rig.mechanics.concrete_life import MODELS
from rig.mechanics.steel_life import STEEL_MODELS
from simulators.wear_tables import Place, WearTables

CONCRETE: Final = MODELS["MC2010 mean"]
TENDON: Final = STEEL_MODELS["Paulson mean"]
FOR_EVER: Final = 7.0
"""Decades from which on strand lasts for ever: as far as its line goes (common practice)."""

GROWTH: Final = 1.05e-8  # m of bond lost in a dry cycle of
REFERENCE: Final = 100e6  # Pa of range, and with the
STEEPNESS: Final = 3.5  # power of that
SPLITTING: Final = 0.15  # m without bond from which on the cover splits along the tendon
WIRE_STEP: Final = 0.02  # share of life from one wire to the next
EARLY_LOSS: Final = 0.03  # first stage of softening: flexibility gained
EARLY_LIFE: Final = 0.02  # share of wear in which it is gained
STEADY_LOSS: Final = 0.10  # second stage, over all wear
LATE_BEGIN: Final = 0.85  # share of the concrete's life at which its third stage begins
LATE_LOSS: Final = 0.90  # flexibility gained in it
CRUSHED_LOSS: Final = 0.3  # strength that concrete loses by the end of its life, with the
CRUSHED_POWER: Final = 8  # power of the share used
FINE: Final = 1 / 500  # largest share of a life in one step
NEVER: Final = 1e12  # cycles that are asked for at most


@dataclass(frozen=True, slots=True)
class SpecimenState:
    """What a specimen remembers.

    Largest deflection it was bent to [m]; length without bond [m]; shares of life that concrete
    and tendon have used; cycles, seconds of cycling, and the deflection at which it broke [m]
    (negative: whole). `age` are the cycles over the whole range, of a recorded specimen alone.
    """

    peak: float = 0.0
    debonded: float = 0.0
    crushed: float = 0.0
    torn: float = 0.0
    cycles: float = 0.0
    seconds: float = 0.0
    broken_at: float = -1.0
    broken_load: float = 0.0
    age: float = 0.0


@dataclass(frozen=True, slots=True)
class Pace:
    """What one cycle does: bond lost [m], shares of life used; dry and in water."""

    bond: tuple[float, float] = (0.0, 0.0)
    concrete: tuple[float, float] = (0.0, 0.0)
    tendon: float = 0.0


STILL: Final = Pace()
"""Nothing wears."""


def mixed(pair: tuple[float, float], wet: float) -> float:
    """Return what lies between dry and wet values."""
    return pair[0] + (pair[1] - pair[0]) * wet


def worn(
    state: SpecimenState, pace: Pace, cycles: float, wet: float, seconds: float = 0.0
) -> SpecimenState:
    """Return the state some cycles later, `wet` being how full of water the crack was on average.

    A closed form: the same in one step as in many of the same pace.
    """
    return replace(
        state,
        debonded=state.debonded + cycles * mixed(pace.bond, wet),
        crushed=min(1.0, state.crushed + cycles * mixed(pace.concrete, wet)),
        torn=state.torn + cycles * pace.tendon,
        cycles=state.cycles + cycles,
        seconds=state.seconds + seconds,
    )


def broken_wires(torn: float) -> int:
    """Return how many wires have broken, for the share of life that the tendon has used."""
    return int((torn - 1.0) / WIRE_STEP) + 1 if torn >= 1.0 else 0


class Wear:
    """How one specimen wears: `slow` is how many times as long as the median it lasts."""

    def __init__(self, tables: WearTables, wet_factor: float, slow: float = 1.0) -> None:
        self.tables = tables
        self._wet_factor = wet_factor
        self._slow = slow
        self._without = lru_cache(maxsize=None)(tables.without)
        self._last: tuple[float, int, Place] | None = None
        self._paced: tuple[tuple[float, float, float, float], Pace] | None = None

    def place(self, state: SpecimenState) -> Place:
        """Return how the specimen stands: what lost bond and broken wires have left of it."""
        return self._stand(state, min(broken_wires(state.torn), self.tables.wires))

    def standing(self, state: SpecimenState, share: float) -> Place:
        """Return how the specimen still stands, which bore this share of its strength until now.

        Wires whose break it does not survive break while it gives way.
        """
        wires = min(broken_wires(state.torn), self.tables.wires)
        while wires and self._stand(state, wires).strength < share:
            wires -= 1
        return self._stand(state, wires)

    def _stand(self, state: SpecimenState, wires: int) -> Place:
        if self._last is None or self._last[:2] != (state.debonded, wires):
            self._last = (state.debonded, wires, self._placed(state.debonded, wires))
        return self._last[2]

    def _placed(self, debonded: float, wires: int) -> Place:
        place = self.tables.place(debonded)
        if not wires:
            return place
        less = self._without(wires)
        return replace(
            place,
            prestress=place.prestress * less.prestress,
            sag=place.sag * less.sag,
            top=place.top * less.top,
            range=place.range * less.range,
            strength=place.strength * less.strength,
        )

    def strength(self, state: SpecimenState) -> float:
        """Return what the specimen can bear over what it could when new."""
        left = 1 - CRUSHED_LOSS * state.crushed**CRUSHED_POWER
        return left * self.place(state).strength

    def gone(self, state: SpecimenState) -> bool:
        """Tell whether the concrete has used its life, or the tendon is drawn out."""
        return state.crushed >= 1.0 or state.debonded >= self.tables.furthest

    def longitudinal(self, state: SpecimenState) -> float:
        """Return how long a crack along the tendon is [m] into which the one across has turned."""
        return max(0.0, state.debonded - SPLITTING)

    def share(self, state: SpecimenState) -> float:
        """Return the share of wear, 0 to 1, that softens a specimen by and by."""
        lost = min(1.0, state.debonded / self.tables.furthest)
        return 1 - (1 - state.crushed) * (1 - lost)

    def gain(self, state: SpecimenState) -> float:
        """Return flexibility over flexibility when new, but for what the place says of it."""
        used = self.share(state)
        late = max(0.0, (state.crushed - LATE_BEGIN) / (1 - LATE_BEGIN))
        early = EARLY_LOSS * (1 - math.exp(-used / EARLY_LIFE))
        return 1 + early + STEADY_LOSS * used + LATE_LOSS * late**3

    def pace(self, state: SpecimenState, low: float, top: float) -> Pace:
        """Return what a cycle between two loads [N] does to a specimen in a state.

        The last one is kept: a stretch asks for the same more than once.
        """
        asked = (state.debonded, state.torn, low, top)
        if self._paced is None or self._paced[0] != asked:
            self._paced = (asked, self._pace(state, low, top))
        return self._paced[1]

    def _pace(self, state: SpecimenState, low: float, top: float) -> Pace:
        tables, place = self.tables, self.place(state)
        swing = tables.tendon_at(top) - tables.tendon_at(low)
        if top <= low:
            return STILL
        # The front wears by what a bonded tendon swings behind it.
        dry = GROWTH * (max(swing, 0.0) / REFERENCE) ** STEEPNESS / self._slow
        if not math.isfinite(tables.furthest):
            dry = 0.0
        decades = float(TENDON.log10_cycles(swing * place.range))
        tendon = 10**-decades / self._slow if decades < FOR_EVER else 0.0
        return Pace((dry, dry * self._wet_factor), self._crushing(place, low, top), tendon)

    def _crushing(self, place: Place, low: float, top: float) -> tuple[float, float]:
        """Return the share of the concrete's life that a cycle uses, in air and in water."""
        tables = self.tables
        loaded = (top - tables.lower) / max(tables.upper - tables.lower, 1.0)
        more = 1 + (place.top - 1) * max(0.0, min(loaded, 1.2))
        strength = tables.specimen.concrete.strength / tables.gradient
        high = tables.concrete_at(top) * more / strength
        least = tables.concrete_at(low) / strength
        rates = [
            10 ** -float(CONCRETE.log10_cycles(high / wet, least / wet))
            for wet in (1.0, tables.wet_strength)
        ]
        return rates[0] / self._slow, rates[1] / self._slow

    def steady(self, state: SpecimenState, pace: Pace, wet: float, step: float) -> float:
        """Return the cycles in which flexibility changes by no more than a share `step`.

        Nor do they pass a break: of a wire, of the concrete, of what anchors the tendon.
        """
        bond, concrete = mixed(pace.bond, wet), mixed(pace.concrete, wet)
        furthest = self.tables.furthest
        bounds = [NEVER, self.to_wire(state, pace)]
        if bond > 0:
            bounds.append(max(furthest - state.debonded, 0.0) / bond)
            bounds.append(FINE * furthest / bond)
        if concrete > 0:
            bounds += [(1 - state.crushed) / concrete, FINE / concrete]
        softer = self._softer(state, bond, concrete)
        if softer > 0:
            bounds.append(step / softer)
        return min(bounds)

    def to_wire(self, state: SpecimenState, pace: Pace) -> float:
        """Return the cycles until the next wire breaks, infinite where none will."""
        wires = broken_wires(state.torn)
        if pace.tendon <= 0 or wires >= self.tables.wires:
            return math.inf
        return max(1 + wires * WIRE_STEP - state.torn, 1e-9) / pace.tendon

    def _softer(self, state: SpecimenState, bond: float, concrete: float) -> float:
        """Return by which share flexibility grows a cycle."""
        ahead = min(1.0, state.crushed + FINE)
        furthest = self.tables.furthest
        late = max(_late_rate(state.crushed), _late_rate(ahead)) * concrete
        growing = concrete + (bond / furthest if math.isfinite(furthest) else 0.0)
        used = self.share(state)
        early = EARLY_LOSS / EARLY_LIFE * math.exp(-used / EARLY_LIFE)
        by_place = self.tables.softening(state.debonded) * bond
        return ((early + STEADY_LOSS) * growing + late) / self.gain(state) + by_place


def _late_rate(crushed: float) -> float:
    """Return by how much flexibility grows in its third stage a share of the concrete's life."""
    late = max(0.0, (crushed - LATE_BEGIN) / (1 - LATE_BEGIN))
    return 3 * LATE_LOSS * late**2 / (1 - LATE_BEGIN)
