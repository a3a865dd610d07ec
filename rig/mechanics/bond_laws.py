"""Bond stress between tendon and concrete over their slip.

Slip [m] and stress [Pa] are both positive where the tendon is pulled out; a law is odd. Besides
the stress each law tells its work, the integral of stress over slip, and the slip of a work: a
long bar in bond needs no more than that to balance (first integral of its equation).

Sources
-------
[1] fib Model Code 2010, 6.1.1.1: curve of ribbed bars; table 6.1-1, pull-out, good bond; from
    memory.
[2] EN 1992-1-1, 8.10.2.2(1): bond stress at release, 3.2 (strand) or 2.7 (indented wire) times
    the tensile strength, in good bond; from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

if TYPE_CHECKING:
    from rig.mechanics.either import Either
    from rig.samples import FloatArray

TRANSMISSION: Final = {"strand": 3.2, "indented wire": 2.7}
"""Bond stress at release over the tensile strength, by the surface of the tendon [2]."""


class BondLaw(Protocol):
    """Bond stress over slip."""

    def __hash__(self) -> int:
        """Laws are values: equal ones share their tables."""

    @property
    def peak(self) -> float:
        """Largest stress [Pa]."""

    @property
    def rise(self) -> float:
        """Power of the slip with which the stress begins to rise; 0 where it is there at once."""

    @property
    def full(self) -> float:
        """Slip [m] at which the stress first is at its peak."""

    def stress(self, slip: Either) -> Either:
        """Return the bond stress [Pa] at a slip [m]."""

    def work(self, slip: FloatArray) -> FloatArray:
        """Return the integral [N/m] of the stress from no slip to a slip of 0 or more [m]."""

    def slip_of(self, work: FloatArray) -> FloatArray:
        """Return the slip [m] that takes a work [N/m], 0 or more: the inverse of `work`."""


@dataclass(frozen=True, slots=True)
class ConstantBond:
    """One bond stress `tau` [Pa] at any slip: rigid, then plastic."""

    tau: float

    @property
    def peak(self) -> float:
        """Largest stress [Pa]."""
        return self.tau

    @property
    def rise(self) -> float:
        """0: the stress is there at once."""
        return 0.0

    @property
    def full(self) -> float:
        """0: the stress is there at once."""
        return 0.0

    def stress(self, slip: Either) -> Either:
        """Return the bond stress [Pa] at a slip [m]; none without slip."""
        return self.tau * np.sign(slip)

    def work(self, slip: FloatArray) -> FloatArray:
        """Return the integral [N/m] of the stress from no slip to a slip [m]."""
        return self.tau * slip

    def slip_of(self, work: FloatArray) -> FloatArray:
        """Return the slip [m] that takes a work [N/m]."""
        return work / self.tau


@dataclass(frozen=True, slots=True)
class FibBond:
    """The curve of [1]: tau_max (s/s1)^alpha, level from s1 to s2, falling to tau_f at s3.

    Slips [m] 0 < s1 <= s2 <= s3, stresses [Pa], 0 <= alpha < 1.
    """

    tau_max: float
    s1: float
    alpha: float
    tau_f: float
    s2: float
    s3: float

    @property
    def peak(self) -> float:
        """Largest stress [Pa]."""
        return self.tau_max

    @property
    def rise(self) -> float:
        """The power `alpha`."""
        return self.alpha

    @property
    def full(self) -> float:
        """The slip `s1` [m]."""
        return self.s1

    def stress(self, slip: Either) -> Either:
        """Return the bond stress [Pa] at a slip [m]."""
        size = np.abs(slip)
        rising = self.tau_max * (np.minimum(size, self.s1) / self.s1) ** self.alpha
        beyond = np.clip((size - self.s2) / self._fall(), 0.0, 1.0)
        return np.sign(slip) * (rising - (self.tau_max - self.tau_f) * beyond)

    def work(self, slip: FloatArray) -> FloatArray:
        """Return the integral [N/m] of the stress from no slip to a slip of 0 or more [m]."""
        power = 1 + self.alpha
        rising = self.tau_max * self.s1 / power * (np.minimum(slip, self.s1) / self.s1) ** power
        level = self.tau_max * np.maximum(slip - self.s1, 0.0)
        into = np.clip(slip - self.s2, 0.0, self._fall())
        lost = (self.tau_max - self.tau_f) * (
            into**2 / (2 * self._fall()) + np.maximum(slip - self.s2 - self._fall(), 0.0)
        )
        return np.asarray(rising + level - lost)

    def slip_of(self, work: FloatArray) -> FloatArray:
        """Return the slip [m] that takes a work [N/m]; infinite where no friction is left."""
        one, two, three = self.work(np.array([self.s1, self.s2, self._end()]))
        power = 1 + self.alpha
        rising = self.s1 * (np.minimum(work, one) / one) ** (1 / power)
        level = (np.clip(work, one, two) - one) / self.tau_max
        # Falling: work = tau_max t - drop t2 / (2 fall), solved without a small difference.
        rest, slope = np.clip(work, two, three) - two, (self.tau_max - self.tau_f) / self._fall()
        root = np.sqrt(np.maximum(self.tau_max**2 - 2 * slope * rest, 0.0))
        falling = 2 * rest / (self.tau_max + root)
        left = np.maximum(work - three, 0.0)
        sliding = left / self.tau_f if self.tau_f > 0 else np.where(left > 0, math.inf, 0.0)
        return np.asarray(rising + level + falling + sliding)

    def _fall(self) -> float:
        """Return the slip [m] over which the stress falls; a hair where it drops at once."""
        return max(self.s3 - self.s2, 1e-9 * self.s1)

    def _end(self) -> float:
        return self.s2 + self._fall()


def ribbed(strength: float) -> FibBond:
    """Return the bond of ribbed bars in concrete of a strength [Pa], good bond, pull-out [1].

    2.5 sqrt(f) in MPa at 1 to 2 mm, 40 % of it at 10 mm (ribs 10 mm apart: an assumption).
    """
    most = 2.5 * math.sqrt(strength / 1e6) * 1e6
    return FibBond(tau_max=most, s1=1e-3, alpha=0.4, tau_f=0.4 * most, s2=2e-3, s3=10e-3)


def transmission(tensile_strength: float, surface: str = "strand") -> ConstantBond:
    """Return the bond by which a tendon passes its prestress on at release [2].

    `tensile_strength` [Pa] of the concrete; `surface` is one of `TRANSMISSION`.
    """
    return ConstantBond(TRANSMISSION[surface] * tensile_strength)
