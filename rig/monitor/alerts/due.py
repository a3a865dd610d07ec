"""What is to be sent now: to whom, by which way, and why; and what is held back, and why."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from itertools import groupby
from typing import Final

from rig.monitor.alerts.cause import importance, movable
from rig.monitor.alerts.desk import AHEAD, HOUR, Alert, Desk, Line, Target, line
from rig.monitor.alerts.messages import Purpose
from rig.monitor.alerts.quiet import quiet
from rig.monitor.alerts.targets import Wanted, wanted
from rig.protocol.lab import AlertRule, Lab, Way

QUIET: Final = "quiet hours"
LIMIT: Final = "limit"
"""Why an alert is held back."""
PASS: Final = frozenset(
    {"failure", "run-out", "ultimate", "limit", "fault", "operator", "gone", "silent"}
    | {"message-way"}
)
"""Kinds that come seldom and pass every limit of messages an hour."""
KEPT_FREE: Final = 4
"""One part in so many of the messages of an hour is kept for what is told first."""
_PURPOSES: Final[tuple[Purpose, ...]] = ("rest", "first", "escalated", "again", "over")


@dataclass(frozen=True, slots=True)
class Due:
    """One message that is due to some people by one way, on one alert or, of the rest, on many."""

    way: Way
    people: tuple[str, ...]
    purpose: Purpose
    alerts: tuple[int, ...]


@dataclass(slots=True)
class _Plan:
    """What one pass plans to send: how many messages of each rule to each target."""

    counts: dict[tuple[str, Target], int] = field(default_factory=dict)

    def add(self, rules: Collection[AlertRule], target: Target) -> None:
        for rule in rules:
            self.counts[rule.name, target] = self.counts.get((rule.name, target), 0) + 1


def due(
    desk: Desk, lab: Lab, now: datetime, zone: tzinfo | None
) -> tuple[tuple[Due, ...], list[Line]]:
    """Return what is due, the most important first, and lines on what is held back anew."""
    asked = _asked(desk, lab, now)
    plan, single, lines = _Plan(), [], []
    for target, items in asked.items():
        one, held = _for_target(desk, target, items, plan, now, zone)
        single += one
        lines += held
    return _joined(desk, single), lines


def _asked(desk: Desk, lab: Lab, now: datetime) -> dict[Target, list[tuple[Alert, list[Wanted]]]]:
    """Return by target the alerts that it is to be told of, the most important first."""
    asked: dict[Target, list[tuple[Alert, list[Wanted]]]] = {}
    ranked = sorted(desk.alerts.values(), key=lambda a: (importance(a.kind), a.number))
    for alert in ranked:
        if not _tells(alert):
            continue
        by_target: dict[Target, list[Wanted]] = {}
        for each in wanted(desk, alert, lab, now):
            by_target.setdefault(each.target, []).append(each)
        for target, wants in by_target.items():
            if alert.open or target in alert.owed:
                asked.setdefault(target, []).append((alert, wants))
    return asked


def _tells(alert: Alert) -> bool:
    if alert.open:
        return not alert.acknowledged
    return bool(alert.owed)


def _for_target(
    desk: Desk,
    target: Target,
    items: list[tuple[Alert, list[Wanted]]],
    plan: _Plan,
    now: datetime,
    zone: tzinfo | None,
) -> tuple[list[tuple[Target, Purpose, tuple[int, ...]]], list[Line]]:
    found: list[tuple[Target, Purpose, tuple[int, ...]]] = []
    lines: list[Line] = []
    rest: list[int] = []
    # What waited for the limit goes first: in one message, which leaves room for the others.
    for alert, wants in sorted(items, key=lambda item: item[0].held.get(target) != LIMIT):
        awake = [w for w in wants if not _asleep(alert, w.rule, now, zone)]
        purpose = _purpose(alert, target, awake or wants, now)
        if purpose is None:
            continue
        if not awake:
            lines += _hold(alert, target, QUIET, now)
            continue
        if rest and alert.held.get(target) == LIMIT:
            rest.append(alert.number)
            continue
        open_to = _within_limit(desk, alert, target, awake, plan, now, again=purpose == "again")
        if not open_to:
            lines += _hold(alert, target, LIMIT, now)
            continue
        plan.add(open_to, target)
        if alert.held.get(target) == LIMIT:
            rest.append(alert.number)
        else:
            found.append((target, purpose, (alert.number,)))
    if rest:
        found.append((target, "rest" if len(rest) > 1 else _alone(desk, rest[0], target), (*rest,)))
    return found, lines


def _alone(desk: Desk, number: int, target: Target) -> Purpose:
    alert = desk.alerts[number]
    if not alert.open:
        return "over"
    return "again" if target in alert.told else "first"


def _asleep(alert: Alert, rule: AlertRule, now: datetime, zone: tzinfo | None) -> bool:
    return movable(alert.kinds) and quiet(rule.quiet, now, zone)


def _purpose(alert: Alert, target: Target, wants: list[Wanted], now: datetime) -> Purpose | None:
    """Return why a target is told of an alert now, None where it is not its time."""
    if not alert.open:
        return "over"
    told = alert.told.get(target)
    if told is None:
        return "escalated" if all(each.escalated for each in wants) else "first"
    repeats = [each.rule.repeat for each in wants if each.rule.repeat]
    since = (now - told.last).total_seconds()
    again = repeats and (since >= min(repeats) or told.last - now > AHEAD)
    return "again" if again else None


def _within_limit(
    desk: Desk,
    alert: Alert,
    target: Target,
    wants: list[Wanted],
    plan: _Plan,
    now: datetime,
    *,
    again: bool,
) -> list[AlertRule]:
    """Return the rules that may still send to a target in this hour.

    What is told again must not use up what something new may need.
    """
    rules = [each.rule for each in wants]
    if alert.kind in PASS:
        return rules
    return [
        rule
        for rule in rules
        if _lately(desk, rule, target, now) + plan.counts.get((rule.name, target), 0)
        < rule.most - (rule.most // KEPT_FREE if again else 0)
    ]


def _lately(desk: Desk, rule: AlertRule, target: Target, now: datetime) -> int:
    return sum(
        1
        for sent in desk.sent
        if target in sent.targets
        and -AHEAD <= now - sent.at < HOUR
        and set(sent.kinds) & set(rule.kinds)
    )


def _hold(alert: Alert, target: Target, why: str, now: datetime) -> Iterator[Line]:
    if alert.held.get(target) != why:
        person, way = target
        yield line("held", now, n=alert.number, way=way, people=[person], why=why)


def _joined(desk: Desk, single: list[tuple[Target, Purpose, tuple[int, ...]]]) -> tuple[Due, ...]:
    """Return messages, the most important first; a way that knows no persons is used once."""
    ranks: Mapping[int, int] = {n: importance(a.kind) for n, a in desk.alerts.items()}

    def order(item: tuple[Target, Purpose, tuple[int, ...]]) -> tuple[int, int, tuple[int, ...]]:
        (_, _), purpose, numbers = item
        return min(ranks[n] for n in numbers), _PURPOSES.index(purpose), numbers

    found = []
    ways = sorted(single, key=lambda item: (order(item), item[0][1]))
    for (_, way), group in groupby(ways, key=lambda item: (order(item), item[0][1])):
        items = list(group)
        _, purpose, numbers = items[0]
        people = tuple(dict.fromkeys(person for (person, _), _, _ in items))
        parts = [(name,) for name in people] if way == "mail" else [people]
        found += [Due(way, part, purpose, numbers) for part in parts]
    return tuple(found)
