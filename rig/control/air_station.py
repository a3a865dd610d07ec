"""The station of an air run: everything moves in stroke control, behind where the rod stood."""

from __future__ import annotations

from typing import Any, Final

from rig.control.book import Book
from rig.control.levels import RETRACT
from rig.control.slow_watch import SlowWatch
from rig.control.station import Station
from rig.control.stop_now import StopNow
from rig.control.stream import Stream
from rig.guards.learned import combine
from rig.judging.looking import Judge, Nothing
from rig.ports import Rig
from rig.protocol.air import Air
from rig.protocol.plan import Bounds, Plan

MARGIN: Final = 1e-3  # [m] that the rod may be beyond its way before a limit stops it


def station_of(
    plan: Plan, rig: Rig, stream: Stream, book: Book, *, attended: bool, live: bool
) -> Station:
    """Return the station of a test, or of an air run where the plan is one."""
    if plan.air is None:
        return Station(plan, rig, stream, book, attended=attended, live=live)
    return AirStation(plan, rig, stream, book, attended=attended, live=live, air=plan.air)


class AirStation(Station):
    """A station without a specimen.

    `home` is the stroke [m] where the rod stood at the start: it comes no further forward.
    """

    def __init__(self, *parts: Any, air: Air, **more: Any) -> None:
        super().__init__(*parts, **more)
        # Load and deflection have nothing to do with each other here.
        self.stream.slow = SlowWatch(lambda: False)
        self.air = air
        self.home: float | None = None

    async def begin(self) -> None:
        """See where the rod stands, and that there is room behind it. Raises StopNow without."""
        home, low = (await self.rig.actuator.status()).stroke, self.rig.actuator.range.stroke_low
        room, needed = home - low, self.air.travel + RETRACT + MARGIN
        if room < needed:
            raise StopNow(
                "fault",
                "fault",
                f"the rod stands {room * 1e3:.1f} mm before the end of its stroke, and an air run "
                f"needs {needed * 1e3:g} mm behind it: move it forward first",
            )
        self.home = home

    def at(self, share: float) -> float:
        """Return the stroke [m] for a share (0 to 1) of the way forward."""
        return (self.home or 0.0) - (1.0 - share) * self.air.travel

    def share_of(self, load: float) -> float:
        """Return the share of the way that stands for a load [N]: the upper load is all of it."""
        loading = self.plan.loading
        return min(max(load / loading.upper, 0.0), 1.0) if loading is not None else 1.0

    async def to_share(self, share: float) -> None:
        """Go to a share of the way, slowly, and wait for arrival."""
        await self.stroke_to(self.at(share), self.air.slow)

    async def load_to(self, to: float, rate: float, judge: Judge | None = None) -> Judge:
        """Stay where it is: without a specimen nothing can be loaded."""
        return judge or Nothing()

    def fixed_bounds(self) -> dict[str, Bounds]:
        """Return the load of contact, and the way of the rod where its stroke can be limited."""
        bounds = {k: v for k, v in super().fixed_bounds().items() if k not in self.air.unarmed}
        if self.home is None or not self._limits_stroke:
            return bounds
        low = self.home - self.air.travel - RETRACT - MARGIN
        return combine(bounds, {"stroke": (low, self.home + MARGIN)})

    @property
    def _limits_stroke(self) -> bool:
        """Tell whether controller or samples can hold a limit on stroke."""
        rig = self.plan.rig
        if rig.actuator.limits != "controller":
            return any(c.name == "stroke" for c in rig.sampled)
        controller = rig.wire.controller if rig.wire is not None else None
        return controller is None or "stroke" in controller.limits
