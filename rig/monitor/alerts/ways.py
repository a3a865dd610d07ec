"""Ways that fail: when they are tried again, and from when on people hear of it on the others."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

from rig.monitor.alerts.cause import Cause
from rig.monitor.alerts.desk import Desk, Failed, Target
from rig.monitor.alerts.due import Due
from rig.monitor.alerts.targets import OF_WAY
from rig.protocol.lab import Lab, Way

FIRST: Final = timedelta(seconds=30)
"""How long after a failure it is tried again; twice as long after each further one."""
LONGEST: Final = timedelta(minutes=15)
DEAD: Final = 2
"""Failures in a row from which a way is dead: one may be by chance."""

AWAY: Final = 60.0
"""How long [s] a broker is away until people hear of it; common practice, no source."""

_NAMES: Final[dict[Way, str]] = {"mqtt": "the broker", "mail": "mail", "program": "the program"}


@dataclass(frozen=True, slots=True)
class Tries:
    """When somebody who could not be told is tried again; begins anew with the process."""

    due: Mapping[Target, tuple[int, datetime]] = field(default_factory=dict)

    def failed(self, order: Due, now: datetime) -> Tries:
        """Return it after one more failure."""
        more = dict(self.due)
        for target in _targets(order):
            times = self.due.get(target, (0, now))[0] + 1
            more[target] = times, now + min(FIRST * 2 ** min(times - 1, 10), LONGEST)
        return replace(self, due=more)

    def succeeded(self, order: Due) -> Tries:
        """Return it after a success."""
        told = _targets(order)
        return replace(self, due={t: d for t, d in self.due.items() if t not in told})

    def ready(self, order: Due, now: datetime) -> bool:
        """Tell whether a message may be tried now."""
        when = [self.due[target][1] for target in _targets(order) if target in self.due]
        # A clock that was put back must not make anybody wait for the old time.
        return all(now >= each or each - now > LONGEST for each in when)


def _targets(order: Due) -> tuple[Target, ...]:
    return tuple((person, order.way) for person in order.people)


def dead_ways(desk: Desk, lab: Lab) -> Iterator[Cause]:
    """Yield for each way that is dead a cause: it holds until a message went through."""
    for way in dict.fromkeys(way for rule in lab.rules for way in rule.ways):
        failed = {who: f for (who, by), f in desk.failed.items() if by == way}
        if not any(each.times >= DEAD for each in failed.values()):
            continue
        yield _dead(desk, way, failed)


def broker_away(why: str, *, requests: bool) -> Cause:
    """Return the cause that there is no connection to the broker; `requests` are taken from it."""
    afar = "until then nobody can pause or stop it from afar: only somebody beside the rig can"
    return Cause(
        key=f"{OF_WAY}mqtt",
        kinds=("message-way",),
        headline="NO CONNECTION TO THE BROKER",
        happened=why,
        did="keeps what is to be said, and says it once there is one; the rig is not concerned",
        todo=(
            *([afar] if requests else []),
            "whoever looks from afar sees it as it was; see that network and broker work",
        ),
        settle=AWAY,
        calm=AWAY,
    )


def _dead(desk: Desk, way: Way, failed: Mapping[str, Failed]) -> Cause:
    people = ", ".join(failed)
    newest = max(failed.values(), key=lambda each: each.since)
    waits = [
        f"{alert.number}. {alert.headline}"
        for alert in desk.open_alerts()
        if not alert.acknowledged
        and any((who, way) not in alert.told for who in failed)
        and alert.kind != "message-way"
    ]
    return Cause(
        key=f"{OF_WAY}{way}",
        kinds=("message-way",),
        headline=f"{_NAMES[way]} does not reach {people}",
        happened=f"{_NAMES[way]} does not take messages to {people}: {newest.reason}",
        did="tries again, at last every 15 min; the rig is not concerned",
        todo=(
            *(f"not told so far: {each}" for each in waits[:5]),
            f"see that it reaches {people} another way; to try: nightrig alerts --test",
        ),
        settle=0.0,
        calm=0.0,
    )
