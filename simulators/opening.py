"""How far the crack of a simulated specimen opens: as one discrete crack does by `rig.mechanics`.

A table over the length without bond and the load is made once for a specimen. The model of it has
the beam end over its supports. Where bond gets so short that a tendon would slip there, the model
draws it in and soon finds no balance; the simulated one goes on beyond its supports and is held by
that. So the table ends before a tendon's end moves: longer lengths open the crack no further, until
the tendon is drawn in by `wear_tables`, and twice as far as each of its ends is.

All constants named here are invented for the demonstration, unless said otherwise.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from rig.mechanics.bond_laws import BondLaw, transmission
from rig.mechanics.crack import Cracks
from rig.mechanics.discrete import at_crack
from rig.mechanics.section import UNBONDED
from rig.mechanics.specimen import Specimen
from rig.samples import FloatArray
from simulators.setup import CrackTable, SpecimenTruth
from simulators.specimen import CRACK_PLATEAU, LEFT_OPEN, on_line
from simulators.wear import SpecimenState
from simulators.wear_tables import Place

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.mechanics.either import Either

OPENED: Final = 0.01  # m of a tendon that the crack frees at once, before any bond is worn off
OPENING: Final = 0.85  # deflection over crack opening (EN 14651 for notched prisms, from memory)
HELD: Final = 1e-6  # m by which the end of a tendon that holds may have moved
LENGTHS: Final = 18  # of the table, the closer together the shorter
LOADS: Final = (0.1, 0.25, 0.4, 0.6, 0.8, 0.95, 1.0, 1.05)
"""Of the table: the way from decompression to the upper load, about which it is read most."""
BEYOND: Final = 3  # loads from there to the ultimate one
POWER: Final = 2.5
"""Of the load beyond decompression with which a crack opens, roughly: so few loads are enough.

Within 2 % of the upper load the table of the shipped prism is within 0.2 um of what it stands for,
that of the shipped plank within 1 um: less than a gauge's noise, and so are 0.5 and 0.8 mm of
length. Beyond 1.05 of it within 5 %. A finer table would cost more time at each start.
"""


def crack_table(specimen: Specimen, truth: SpecimenTruth, upper: float) -> CrackTable | None:
    """Return how far a crack at mid-span opens under loads up to the ultimate one.

    `upper` is the upper load [N]. None where no tendon crosses the crack.
    """
    if not specimen.tendons:
        return None
    bond = transmission(specimen.concrete.tensile_strength)
    closed, most = truth.decompression_load, truth.ultimate_load
    reach = min(max(upper - closed, (most - closed) / 20), most - closed)
    near = closed + reach * np.array([x for x in LOADS if closed + x * reach < most])
    loads = np.concatenate((near, np.linspace(near[-1], most, BEYOND + 1)[1:]))
    lengths = _longest(specimen, bond) * np.linspace(0.0, 1.0, LENGTHS) ** 2
    if not lengths[-1]:
        lengths = lengths[:1]
    # All at once: a call with one load and one length costs half as much.
    found = at_crack(specimen, loads, lengths[:, None], bond)
    openings, known = np.asarray(found.opening), _holds(found.end_slip)
    known[0] = np.isfinite(openings[0])  # no bond is worn off: nothing is drawn in
    last = np.zeros(len(loads))
    for i in range(len(lengths)):
        # A crack opens the further the longer and the more it is loaded.
        last = np.maximum.accumulate(np.where(known[i], np.maximum(openings[i], last), last))
        openings[i] = last
    none = np.zeros((len(lengths), 1))
    return CrackTable(
        upper, lengths, np.concatenate(([closed], loads)), np.concatenate((none, openings), axis=1)
    )


def _longest(specimen: Specimen, bond: BondLaw) -> float:
    """Return a length without bond [m] beyond which no tendon is anchored; 0 where all are."""
    cracks, span = Cracks(bond), specimen.section.span
    left = (
        span - 2 * t.stress / (bond.peak * cracks.around(t))
        for t in specimen.tendons
        if t.bond != UNBONDED
    )
    return min(max((max(0.0, x) for x in left), default=0.0), span)


def _holds(slips: tuple[Either, ...]) -> NDArray[np.bool_]:
    """Tell where no end of a tendon slips; one that is nan does."""
    return np.asarray(np.logical_and.reduce([np.asarray(s) <= HELD for s in slips]))


def freed(specimen: SpecimenState) -> float:
    """Return the length [m] over which a cracked specimen's tendon has no bond at its crack."""
    return OPENED + specimen.debonded


@dataclass(slots=True)
class Crack:
    """The crack of one specimen, with or without a table; the last row that was read is kept."""

    truth: SpecimenTruth
    table: CrackTable | None
    _last: tuple[float, FloatArray] | None = None

    def formed(
        self, load: FloatArray, net: FloatArray, specimen: SpecimenState
    ) -> FloatArray | float:
        """Return how much of it has formed, 0 to 1, at loads [N] with the net deflection [m].

        What the specimen was bent to before tells it; beyond the cracking load of a first loading
        the deflection does.
        """
        t = self.truth
        begin, end = t.cracking_load / t.stiffness, on_line(t, CRACK_PLATEAU * t.cracking_load)
        before = min(max((specimen.peak - begin) / (end - begin), 0.0), 1.0)
        if before == 1.0:
            return before
        now = ((net - begin) / (end - begin)).clip(0.0, 1.0)
        grown: FloatArray = np.maximum(before, np.where(load >= t.cracking_load, now, 0.0))
        return grown

    def opening(
        self,
        load: FloatArray,
        net: FloatArray,
        specimen: SpecimenState,
        place: Place,
        soft: float,
    ) -> FloatArray:
        """Return how far it opens [m] at loads [N] with the net deflection [m].

        `soft` is flexibility over that when new. Deflection beyond that of yield, and of a broken
        one beyond that of the upper load, is that of the crack alone.
        """
        t, table = self.truth, self.table
        if table is None:
            rest: FloatArray = (net - load / t.stiffness).clip(0) / OPENING
            return rest
        begins = t.yield_load
        if specimen.broken_at >= 0:
            # It does not close as its load falls.
            begins, load = table.upper, np.full(len(load), table.upper)
        row = self._row(table, freed(specimen))
        wide, most = (self._wide(table, row, at, place) for at in (load, np.array([table.upper])))
        left = LEFT_OPEN * (most - wide).clip(0)
        beyond = (net - soft * on_line(t, begins)).clip(0) / OPENING
        return self.formed(load, net, specimen) * (wide + left) + beyond

    def _wide(
        self, table: CrackTable, row: FloatArray, load: FloatArray, place: Place
    ) -> FloatArray:
        """Return the opening [m] but for what is left of it without load."""
        closed, felt, drawn = self.truth.decompression_load, load, np.zeros(1)
        if place.prestress < 1.0 and table.upper > closed:
            # Drawn in it opens under less load, and as far as the tendon has come.
            opens = place.prestress * closed
            share = (load - opens) / (table.upper - opens)
            felt = closed + share * (table.upper - closed)
            drawn = 2 * place.slip * share.clip(0)
        wide: FloatArray = np.interp(felt, table.loads, row) ** POWER + drawn
        return wide

    def _row(self, table: CrackTable, length: float) -> FloatArray:
        """Return the openings [m] at all loads of the table, as roots between which are lines."""
        if self._last is None or self._last[0] != length:
            i = bisect_right(table.lengths, length) - 1
            row = table.openings[i]
            if i + 1 < len(table.lengths):
                share = (length - table.lengths[i]) / (table.lengths[i + 1] - table.lengths[i])
                row = row + share * (table.openings[i + 1] - row)
            self._last = (length, row ** (1 / POWER))
        return self._last[1]
