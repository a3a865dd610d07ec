"""Who is to be told of an alert, by the rules of the lab."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from rig.monitor.alerts.desk import AHEAD, Alert, Desk, Target
from rig.protocol.lab import AlertRule, Lab, Way

OF_WAY: Final = "way:"
"""How the key of a way that is dead begins; the way follows."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A rule that wants somebody told by one way; `escalated` because nobody had answered."""

    target: Target
    rule: AlertRule
    escalated: bool = False


def wanted(desk: Desk, alert: Alert, lab: Lab, now: datetime) -> Iterator[Wanted]:
    """Yield who is to be told of an alert by now, each rule by itself; silenced kinds tell none."""
    if alert.kind == "message-way":
        yield from _of_dead_way(desk, alert, lab, now)
        return
    for rule in lab.rules:
        if _names(desk, alert, rule, now):
            yield from _of_rule(desk, alert, lab, rule, now)


def owed(desk: Desk, alert: Alert, lab: Lab, now: datetime) -> tuple[Target, ...]:
    """Return who is still to be told of an alert that is over, though it is.

    Those who should have been told and were not; of a dead way those who were told of it.
    """
    if alert.kind == "message-way":
        return tuple(alert.told)
    if alert.acknowledged:
        return ()
    first = [each.target for each in wanted(desk, alert, lab, now) if not each.escalated]
    return tuple(dict.fromkeys(target for target in first if target not in alert.told))


def _names(desk: Desk, alert: Alert, rule: AlertRule, now: datetime) -> bool:
    return any(kind in rule.kinds and desk.silenced(kind, now) is None for kind in alert.kinds)


def _of_rule(
    desk: Desk, alert: Alert, lab: Lab, rule: AlertRule, now: datetime
) -> Iterator[Wanted]:
    for target in _reached(rule.people, rule.ways, lab):
        yield Wanted(target, rule)
    if alert.open and _late(alert, rule, now):
        for target in _reached(rule.escalate_to, rule.ways, lab):
            yield Wanted(target, rule, escalated=True)


def _late(alert: Alert, rule: AlertRule, now: datetime) -> bool:
    if not rule.escalate_after or alert.began is None:
        return False
    since = (now - alert.began).total_seconds()
    return since >= rule.escalate_after or alert.began - now > AHEAD


def _reached(people: Collection[str], ways: Collection[Way], lab: Lab) -> Iterator[Target]:
    addressed = {person.name for person in lab.people if person.mail}
    for way in ways:
        for name in people:
            if way != "mail" or name in addressed:
                yield name, way


def _of_dead_way(desk: Desk, alert: Alert, lab: Lab, now: datetime) -> Iterator[Wanted]:
    """Yield who is told that a way is dead: by the rules, else whoever is told by that way.

    By a way that is dead itself only who was told by it before and is not known to be out of reach:
    one mailbox may be full.
    """
    if not alert.open:
        rules = ((target, rule) for target in alert.owed for rule in lab.rules)
        yield from (Wanted(target, rule) for target, rule in rules if target[1] in rule.ways)
        return
    dead = {a.key.removeprefix(OF_WAY) for a in desk.open_alerts() if a.key.startswith(OF_WAY)}
    if desk.silenced(alert.kind, now) is not None:
        return

    def reached(target: Target) -> bool:
        told = any(target in each.told for each in desk.alerts.values())
        return target[1] not in dead or (told and target not in desk.failed)

    by_rule = [
        each
        for rule in lab.rules
        if alert.kind in rule.kinds
        for each in _of_rule(desk, alert, lab, rule, now)
        if reached(each.target)
    ]
    if by_rule:
        yield from by_rule
        return
    way = alert.key.removeprefix(OF_WAY)
    ways = tuple(dict.fromkeys(w for rule in lab.rules for w in rule.ways))
    for rule in lab.rules:
        if way in rule.ways:
            for target in filter(reached, _reached(rule.people, ways, lab)):
                yield Wanted(target, rule)
