"""A tendon in bond beyond the length that it has lost: its slip there, and how far it slips.

Let s be the slip and d the stress of the tendon above that of one without slip. Away from the
crack ds/dx = -k d (the tendon is longer than the concrete by that, the concrete's own answer
included) and dd/dx = -u tau(s), u being perimeter over area. So k d dd = u tau ds: the energy
k d2 / 2 falls with the work of the bond, whatever the law (first integral; any book on bond).

Where there is room, slip and stress vanish together. Half way between two cracks there is no
slip, by symmetry, but stress may be left. Towards the end of the beam the same bond passes the
prestress on; where both zones meet, the tendon slips all along, least where they meet. For both
cases slips are tabulated over the energy, room by room.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from rig.mechanics.bond_laws import BondLaw
    from rig.samples import FloatArray

_POINTS: Final = 12
_ROWS: Final = 48
_COLUMNS: Final = 64
_GRADE: Final = 4  # what depends on the least slip changes fastest where that is small


@dataclass(frozen=True, slots=True)
class BondZone:
    """The bond of one tendon at cracks with some `room` [m] each, shape (elements,).

    `around` [1/m] is perimeter over area, `give` [1/Pa] the k above. Where the energy [Pa] is
    above the first of its row in `energy` there is no room, and `slip` and `at_end` [m] count;
    shape (elements, rows).
    """

    bond: BondLaw
    around: float
    give: float
    room: FloatArray
    energy: FloatArray
    slip: FloatArray
    at_end: FloatArray

    def slips(self, energy: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return slip where the bond begins, and that at the end since release [m]."""
        alone = self.bond.slip_of(energy / self.around)
        # Slips are nearer to lines over the stress than over the energy.
        low, share = _place(np.sqrt(self.energy), np.sqrt(energy))
        row = np.arange(len(energy))
        crowded, at_end = (
            table[row, low] + share * (table[row, low + 1] - table[row, low])
            for table in (self.slip, self.at_end)
        )
        tight = energy >= self.energy[:, 0]
        return np.where(tight, crowded, alone), np.where(tight, at_end, self.at_end[:, 0])

    def reach(self, energy: FloatArray) -> FloatArray:
        """Return how far the tendon slips [m], not more than the room."""
        slip = self.bond.slip_of(energy / self.around)
        zero = np.zeros_like(slip)
        length = _integral(self.bond, zero, zero, slip) / _scale(self.around, self.give)
        return np.minimum(length, self.room)


def _scale(around: float, give: float) -> float:
    """Return what makes a length [m] an integral of 1 / sqrt(work) over the slip."""
    return float(np.sqrt(2 * give * around))


def _place(rows: FloatArray, at: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """Return between which two of its row each value lies, and its share of the way."""
    low = np.clip((rows <= at[:, None]).sum(axis=1) - 1, 0, rows.shape[1] - 2)
    row = np.arange(len(at))
    one, other = rows[row, low], rows[row, low + 1]
    share = (at - one) / np.maximum(other - one, 1e-300)
    return low, np.clip(share, 0.0, 1.0)


def _integral(bond: BondLaw, least: FloatArray, left: FloatArray, slip: FloatArray) -> FloatArray:
    """Return the integral of 1 / sqrt(work(s) - work(least) + left) from `least` to `slip`."""
    power = 2 / (1 - bond.rise)  # smooth where slip and stress vanish together
    grown, none = (slip - least)[..., None], bond.work(least)[..., None]
    work = bond.work(least[..., None] + grown * _AT**power) - none + left[..., None]
    step = power * grown * _AT ** (power - 1) * _WEIGHTS
    return np.asarray((step / np.sqrt(np.maximum(work, 1e-300))).sum(axis=-1))


def between_cracks(
    bond: BondLaw, around: float, give: float, strongest: float, room: FloatArray
) -> BondZone:
    """Return the bond of a tendon that does not slip `room` [m] away, whatever pulls.

    `strongest` [Pa] is more than it can be pulled with.
    """
    most = give * strongest**2 / 2 / around
    left = most * np.linspace(0.0, 1.0, _ROWS) ** _GRADE
    none = np.zeros(_ROWS)
    slip = _fitted(bond, none, left, most, np.tile(room, (_ROWS, 1)) * _scale(around, give))
    energy = around * (bond.work(slip) + left[:, None])
    return BondZone(bond, around, give, room, energy.T, slip.T, 0 * slip.T)


def towards_end(
    bond: BondLaw, around: float, give: float, strongest: float, prestress: float, room: FloatArray
) -> BondZone:
    """Return the bond of a tendon that ends `room` [m] away, and bears nothing there.

    `prestress` [Pa] is what it has lost there since release. More slip than that of the law's
    peak, where both zones meet, is not looked for.
    """
    most = give * strongest**2 / 2 / around
    least = bond.full * np.linspace(0.0, 1.0, _ROWS) ** _GRADE
    left = np.zeros(_ROWS)
    drawn = bond.slip_of(give * prestress**2 / 2 / around + bond.work(least))
    taken = _integral(bond, least, left, drawn)
    rest = room * _scale(around, give) - taken[:, None]
    slip = _fitted(bond, least, left, most, rest)
    energy = around * (bond.work(slip) - bond.work(least)[:, None])
    at_end = np.broadcast_to((drawn - drawn[0])[:, None], slip.shape)
    return BondZone(bond, around, give, room, energy.T, slip.T, at_end.T)


def _fitted(
    bond: BondLaw, least: FloatArray, left: FloatArray, most: float, length: FloatArray
) -> FloatArray:
    """Return the slips [m] at the ends of lengths, of shape (rows, elements), row by row.

    `least` slip and `left` work [N/m] are those at the other end of each row, `most` the work
    that no tendon exceeds; a length is the integral above.
    """
    power = 2 / (1 - bond.rise)
    share = np.linspace(0.0, 1.0, _COLUMNS)
    grown = bond.slip_of(bond.work(least) + most) - least
    slip = least[:, None] + grown[:, None] * share**power
    lengths = _integral(bond, *np.broadcast_arrays(least[:, None], left[:, None], slip))
    rows = [
        least[i] + grown[i] * np.interp(length[i], lengths[i], share) ** power
        for i in range(len(least))
    ]
    return np.stack(rows)


def _gauss() -> tuple[FloatArray, FloatArray]:
    at, weights = np.polynomial.legendre.leggauss(_POINTS)
    return (1 + at) / 2, weights / 2


_AT, _WEIGHTS = _gauss()
