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

    The slip is that of the work which the energy [Pa] asks for, and of some `more` work [N/m],
    tabulated over the energy, both of shape (elements, rows); none below the first of a row,
    where there is room. `drawn` [N/m] is the work of the end that was drawn in at release.
    """

    bond: BondLaw
    bar: Bar
    room: FloatArray
    energy: FloatArray
    more: FloatArray
    drawn: float

    def slips(self, energy: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return slip where the bond begins, and that at the end since release [m]."""
        low, share = _place(self.energy, energy)
        row = np.arange(len(energy))
        one, other = self.more[row, low], self.more[row, low + 1]
        more = one + share * (other - one)
        slip = self.bond.slip_of(np.maximum(energy / self.bar.around + more, 0.0))
        if self.drawn == 0:
            return slip, np.zeros_like(slip)
        end, before = (self.bond.slip_of(self.drawn + part) for part in (more, np.zeros(1)))
        return slip, end - before

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
    more = np.broadcast_to(-left, energy.T.shape)
    return BondZone(bond, bar, room, energy.T, more, 0.0)


def towards_end(bond: BondLaw, bar: Bar, prestress: float, room: FloatArray) -> BondZone:
    """Return the bond of a tendon that ends `room` [m] away, and bears nothing there.

    `prestress` [Pa] is what it has lost there since release. More slip than that of the law's
    peak, where both zones meet, is not looked for.
    """
    least = bond.full * np.linspace(0.0, 1.0, _ROWS) ** _GRADE
    none, drawn = bond.work(least), bar.give * prestress**2 / 2 / bar.around
    taken = _integral(bond, least, np.zeros(_ROWS), bond.slip_of(drawn + none)) / bar.scale
    slip = _fitted(bond, bar, least, np.zeros(_ROWS), room - taken[:, None])
    energy = bar.around * (bond.work(slip) - none[:, None])
    return BondZone(bond, bar, room, energy.T, np.broadcast_to(none, energy.T.shape), drawn)


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
