"""Loads and ways of the moves that no protocol names: what follows from its levels and limits."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Final

from rig.guards.learned import combine
from rig.protocol.estimate import UNLOAD_SHARE
from rig.protocol.expected import expected
from rig.protocol.plan import Approach, Bounds, Plan

SEAT_LOAD: Final = 1e3  # [N] kept between slow loadings; common practice, no source
RETRACT: Final = 5e-3  # [m] at 1 mm/s after a normal stop; common practice, no source
RETRACT_SPEED: Final = 1e-3
PEOPLE_OUT: Final = 0.80  # of the ultimate load that mechanics expects; common practice, no source
REST_MARGIN: Final = 0.05  # of the upper load above lower load that is still at rest


class Levels:
    """What follows from a plan alone, and from whether its specimen is broken after a run-out."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.breaking = False  # a specimen that has run out is being broken

    @property
    def load_scale(self) -> float:
        """Upper load [N], or for a test without one the upper limit on load."""
        if self.plan.loading is not None:
            return self.plan.loading.upper
        return self.fixed_bounds()["load"][1]

    @property
    def seat(self) -> float:
        """Load [N] at which the specimen rests between slow loadings."""
        return min(SEAT_LOAD, 0.02 * self.load_scale)

    @property
    def unload_rate(self) -> float:
        """Rate [N/s] of loading and unloading between stages."""
        return UNLOAD_SHARE * self.load_scale

    @property
    def contact_again(self) -> Approach:
        """How contact is made after the specimen was unloaded: as the protocol first did it."""
        stages = self.plan.stages
        first = next((s for s in stages if isinstance(s, Approach)), None)
        usual = Approach("contact", max(0.02 * self.load_scale, 500.0), 5e-4, 1e-2)
        if first is None:
            return usual
        # The rod was retracted: the way is longer than that of the first approach may be.
        way = max(first.give_up_after, usual.give_up_after, 2 * RETRACT)
        return replace(first, give_up_after=way)

    @cached_property
    def people_out(self) -> float:
        """Load [N] from which on nobody may be within reach of a specimen that is broken.

        One that has run out has held its upper load, and nobody knows more of it.
        """
        expects = PEOPLE_OUT * expected(self.plan.specimen).ultimate_load
        return expects if self.plan.loading is None else min(expects, self.plan.loading.upper)

    @property
    def people_out_words(self) -> str:
        """The same in words."""
        return f"nobody within reach from {self.people_out / 1e3:.1f} kN on"

    @property
    def rest_load(self) -> float:
        """Load [N] up to which people may be near a specimen that stands still."""
        low = self.plan.loading.lower if self.plan.loading else self.seat
        return max(low, self.seat) + REST_MARGIN * self.load_scale

    def fixed_bounds(self) -> dict[str, Bounds]:
        """Return the always armed bounds: the tighter of protocol and rig file."""
        limits = self.plan.limits
        return combine(self.plan.rig.limits, limits.residual if self.breaking else limits.fixed)
