"""When load and net deflection are watched: in cycling, and in slow motions that are commanded.

Where people may be at the rig, and where nothing is commanded, sensors are touched and exchanged:
there nothing is looked at.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

from rig.control.states import STAGES
from rig.guards.following import FollowSetup
from rig.guards.limits import Trip
from rig.judging.cycling import Cycling
from rig.judging.load_watch import LoadWatch
from rig.judging.looking import Judge
from rig.samples import SampleArray, SampleBlock

COMMANDED: Final = frozenset((*STAGES, "inspection"))
"""States in which slow motions are commanded and nobody is at the sensors."""


def _always() -> bool:
    """Tell that slow motions are commanded."""
    return True


@dataclass(frozen=True, slots=True)
class SlowWatch:
    """The watch so far.

    `moves` tells whether motions are commanded, `led` whether net deflection may lead the rod.
    """

    moves: Callable[[], bool] = _always
    led: Callable[[], bool] = _always
    watch: LoadWatch = field(default_factory=LoadWatch)

    @property
    def trip(self) -> Trip | None:
        """A load in doubt that the last block held."""
        return self.watch.trip

    @property
    def told(self) -> tuple[str, ...]:
        """What else was found in the last block."""
        return self.watch.told

    def begun_anew(self) -> SlowWatch:
        """Return the watch with nothing known."""
        return replace(self, watch=LoadWatch()) if self.watch.jump.tail.shape[1] else self

    def looked(
        self, setup: FollowSetup, block: SampleBlock, deflection: SampleArray, judge: Judge
    ) -> SlowWatch:
        """Return the watch after the next block of samples, which a stage's judge looks at too."""
        cycling = isinstance(judge, Cycling)
        if not cycling and not self.moves():
            return self.begun_anew()
        watch = self.watch.looked(setup, block, deflection, slowly=not cycling, led=self.led())
        return replace(self, watch=watch)
