"""Looks by a script: what a run shows second by second, and ways that keep what they are told."""

from collections.abc import AsyncIterator, Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import timedelta

from rig.clock import Clock
from rig.monitor.alerts.messages import AlertText, WayDead
from rig.monitor.looks import Look, Numbered
from rig.monitor.view import View
from rig.protocol.lab import Messages
from rig.record.entries import Event
from tests.monitor.night_12 import cycling

MESSAGES = Messages(lab="labs/cellar.toml", name="frame-1")
Shown = tuple[float, View, tuple[tuple[str, str], ...]]
"""From which second on, what is shown, and which events come then."""


def fresh(view: View, clock: Clock) -> View:
    """Return a view as it is looked at now, its data just written."""
    stamp = (clock.utc() - timedelta(seconds=0.2)).isoformat()
    return replace(view, now=clock.utc(), status=replace(view.status, stamp=stamp))


async def looks(clock: Clock, *script: Shown, every: float = 1.0) -> AsyncIterator[Look]:
    """Show what the script says, then its last for ever."""
    begun, seq, place = clock.now(), 0, 0
    view = cycling
    while True:
        events = []
        while place < len(script) and clock.now() - begun >= script[place][0]:
            _, view, told = script[place]
            for kind, text in told:
                seq += 1
                event = Event(view.status.time, view.status.cycles, kind, text)
                events.append(Numbered(seq, event))
            place += 1
        yield Look(fresh(view, clock), tuple(events))
        await clock.sleep(every)


@dataclass
class Told:
    """A way that keeps what it was told; it refuses, or hangs, as long as it is told to."""

    clock: Clock
    taken: list[tuple[float, AlertText]] = field(default_factory=list)
    refuses: Callable[[AlertText], bool] = lambda alert: False
    takes: float = 0.0

    async def __call__(self, alert: AlertText) -> None:
        await self.clock.sleep(self.takes)
        if self.refuses(alert):
            raise WayDead("not now")
        self.taken.append((self.clock.now(), alert))

    @property
    def subjects(self) -> list[str]:
        return [alert.subject for _, alert in self.taken]

    @property
    def purposes(self) -> list[tuple[int, str]]:
        return [(alert.number, alert.purpose) for _, alert in self.taken]


def seconds(taken: Iterable[tuple[float, AlertText]]) -> list[int]:
    return [round(at) for at, _ in taken]
