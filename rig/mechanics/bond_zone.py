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
_ROWS: Final = 64
_COLUMNS: Final = 64
_REFINED: Final = 2
_GRADE: Final = 4  # what depends on the least slip changes fastest where that is small


@dataclass(frozen=True, slots=True)
class Bar:
    """A tendon in bond: perimeter over area [1/m], k [1/Pa], and more [Pa] than can pull it."""

    around: float
    give: float
    strongest: float

    @property
    def scale(self) -> float:
        """What makes a length [m] an integral of 1 / sqrt(work) over the slip."""
        return float(np.sqrt(2 * self.give * self.around))

    @property
    def work(self) -> float:
        """The work of bond [N/m] that no pull exceeds."""
        return self.give * self.strongest**2 / 2 / self.around


@dataclass(frozen=True, slots=True)
class BondZone:
    """The bond of one tendon at cracks with some `room` [m] each, shape (elements,).

    Where the energy [Pa] is above the first of its row in `energy` there is no room, and `slip`
    and `at_end` [m] count; shape (elements, rows).
    """

    bond: BondLaw
    bar: Bar
    room: FloatArray
    energy: FloatArray
    slip: FloatArray
    at_end: FloatArray

    def slips(self, energy: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return slip where the bond begins, and that at the end since release [m]."""
        alone = self.bond.slip_of(energy / self.bar.around)
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
        slip = self.bond.slip_of(energy / self.bar.around)
        zero = np.zeros_like(slip)
        length = _integral(self.bond, zero, zero, slip) / self.bar.scale
        return np.minimum(length, self.room)


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


def between_cracks(bond: BondLaw, bar: Bar, room: FloatArray) -> BondZone:
    """Return the bond of a tendon that does not slip `room` [m] away, whatever pulls."""
    left = bar.work * np.linspace(0.0, 1.0, _ROWS) ** _GRADE
    slip = _fitted(bond, bar, np.zeros(_ROWS), left, np.tile(room, (_ROWS, 1)))
    energy = bar.around * (bond.work(slip) + left[:, None])
    return BondZone(bond, bar, room, energy.T, slip.T, 0 * slip.T)


def towards_end(bond: BondLaw, bar: Bar, prestress: float, room: FloatArray) -> BondZone:
    """Return the bond of a tendon that ends `room` [m] away, and bears nothing there.

    `prestress` [Pa] is what it has lost there since release. More slip than that of the law's
    peak, where both zones meet, is not looked for.
    """
    least = bond.full * np.linspace(0.0, 1.0, _ROWS) ** _GRADE
    none = bond.work(least)
    drawn = bond.slip_of(bar.give * prestress**2 / 2 / bar.around + none)
    taken = _integral(bond, least, np.zeros(_ROWS), drawn) / bar.scale
    slip = _fitted(bond, bar, least, np.zeros(_ROWS), room - taken[:, None])
    energy = bar.around * (bond.work(slip) - none[:, None])
    at_end = np.broadcast_to((drawn - drawn[0])[:, None], slip.shape)
    return BondZone(bond, bar, room, energy.T, slip.T, at_end.T)


def _fitted(
    bond: BondLaw, bar: Bar, least: FloatArray, left: FloatArray, length: FloatArray
) -> FloatArray:
    """Return the slips [m] at the ends of lengths [m], of shape (rows, elements), row by row.

    `least` slip and `left` work [N/m] are those at the other end of each row.
    """
    power = 2 / (1 - bond.rise)
    share = np.linspace(0.0, 1.0, _COLUMNS)
    grown = bond.slip_of(bond.work(least) + bar.work) - least
    slip = least[:, None] + grown[:, None] * share**power
    lengths = _integral(bond, *np.broadcast_arrays(least[:, None], left[:, None], slip))
    lengths = lengths / bar.scale
    rows = [
        least[i] + grown[i] * np.interp(length[i], lengths[i], share) ** power
        for i in range(len(least))
    ]
    found, start, rest = np.stack(rows), least[:, None], left[:, None]
    within = np.clip(length, 0.0, lengths[:, -1:]) * bar.scale
    for _ in range(_REFINED):  # Newton's steps: the slope of the integral is its integrand
        low, some = np.broadcast_arrays(start, found)[0], np.broadcast_arrays(rest, found)[0]
        over = _integral(bond, low, some, found) - within
        root = np.sqrt(np.maximum(bond.work(found) - bond.work(low) + some, 0.0))
        found = np.maximum(found - over * root, start)
    return found


def _gauss() -> tuple[FloatArray, FloatArray]:
    at, weights = np.polynomial.legendre.leggauss(_POINTS)
    return (1 + at) / 2, weights / 2


_AT, _WEIGHTS = _gauss()
