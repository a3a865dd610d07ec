"""When a cause becomes an alert, and when that is over: what flickers does not flood."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from rig.monitor.alerts.cause import END, Cause
from rig.monitor.alerts.desk import Alert, Desk, Line, has_rig, line, with_lines
from rig.monitor.alerts.targets import owed
from rig.protocol.lab import Lab

LONGEST_CALM: Final = 3 * 3600.0
"""The longest time [s] that what comes and goes must be away until it is over."""

_OWN_MATTER: Final = frozenset({"request", "message-way"})
"""Kinds that do not end with the run."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What is remembered between looks, and begins anew with the process.

    `first` is since when a cause has held that is no alert yet, `last` when the cause of an open
    alert was found last. `waiting` are causes that happened and wait, with when they came.
    """

    first: Mapping[str, datetime] = field(default_factory=dict)
    last: Mapping[str, datetime] = field(default_factory=dict)
    waiting: tuple[tuple[datetime, Cause], ...] = ()


@dataclass(frozen=True, slots=True)
class Seen:
    """What a look shows: causes that hold, those that happened, events read up to number `upto`.

    `over` tells that the run is, `stopping` that it is, or is being stopped. `where` is what an
    alert says of rig, specimen and time. `another` is the run that has the rig since, "" for none.
    """

    holds: tuple[Cause, ...]
    happened: tuple[Cause, ...]
    upto: int
    over: bool
    stopping: bool
    where: Mapping[str, Any]
    another: str = ""


def observed(
    desk: Desk, watch: Watch, seen: Seen, lab: Lab, now: datetime
) -> tuple[list[Line], Watch]:
    """Return the lines that a look adds to the book, and what is remembered of it."""
    if seen.another:
        return _given_up(desk, seen, lab, now), Watch()
    holds = {cause.key: cause for cause in seen.holds}
    first, last = {}, {key: min(when, now) for key, when in watch.last.items()}
    lines: list[Line] = []
    calling: list[Cause] = []
    for key, cause in holds.items():
        alert = desk.with_key(key)
        if alert is not None:
            last[key] = now
            lines += _still(alert, cause, now)
            continue
        first[key] = min(watch.first.get(key, now), now)  # the clock may have been put back
        if (now - first[key]).total_seconds() >= cause.settle:
            calling.append(cause)
            del first[key]
    open_keys = {*(cause.key for cause in calling), *(a.key for a in desk.open_alerts())}
    waiting, ripe = _happened(watch, seen, open_keys, now)
    opened = enumerate((*calling, *ripe), start=desk.next_number)
    lines += [_opened(number, cause, seen, lab, now) for number, cause in opened]
    lines += _seen(desk, seen, waiting, now, news=bool(watch.waiting or seen.happened))
    for alert in desk.open_alerts():
        last.setdefault(alert.key, now)
        lines += _ending(desk, alert, holds, last[alert.key], seen, lab, now)
    last = {key: when for key, when in last.items() if key in open_keys}
    last |= {cause.key: now for cause in calling}
    return lines, Watch(first, last, waiting)


def _opened(number: int, cause: Cause, seen: Seen, lab: Lab, now: datetime) -> dict[str, Any]:
    return line(
        "opened",
        now,
        n=number,
        key=cause.key,
        kinds=list(cause.kinds),
        **_texts(cause),
        calm=cause.calm,
        stays=any(r.stays for r in lab.rules if set(r.kinds) & set(cause.kinds)),
        where=dict(seen.where),
    )


def _texts(cause: Cause) -> dict[str, object]:
    return {
        "headline": cause.headline,
        "happened": cause.happened,
        "did": cause.did,
        "todo": list(cause.todo),
        "mark": cause.mark,
        "lasting": cause.lasting,
    }


def _still(alert: Alert, cause: Cause, now: datetime) -> list[Line]:
    lines: list[Line] = []
    if alert.mark != cause.mark or alert.lasting != cause.lasting:
        lines.append(line("changed", now, n=alert.number, **_texts(cause)))
    if alert.over is not None:
        lines.append(line("back", now, n=alert.number))
    return lines


def _happened(
    watch: Watch, seen: Seen, open_keys: Collection[str], now: datetime
) -> tuple[tuple[tuple[datetime, Cause], ...], list[Cause]]:
    """Return what still waits of what happened, and what has waited long enough, each once."""
    ripe: dict[str, Cause] = {}
    left = []
    for before, cause in (*watch.waiting, *((now, cause) for cause in seen.happened)):
        came = min(before, now)  # the clock may have been put back
        # What is open already is that; and an end tells better what came right before it.
        if cause.key in open_keys or (seen.over and cause.settle):
            continue
        if (seen.stopping and cause.settle) or (now - came).total_seconds() < cause.settle:
            left.append((came, cause))
        else:
            ripe.setdefault(cause.key, cause)
    return tuple(left), list(ripe.values())


def _seen(
    desk: Desk,
    seen: Seen,
    waiting: Iterable[tuple[datetime, Cause]],
    now: datetime,
    *,
    news: bool,
) -> list[Line]:
    """Return a line on how far events are done with, where something happened since the last."""
    upto = min([cause.seq - 1 for _, cause in waiting if cause.seq], default=seen.upto)
    # Events that call nobody are read again after a restart, which does no harm.
    if upto > desk.seen and (news or desk.seen < upto - _OFTEN):
        return [line("seen", now, seq=upto)]
    return []


_OFTEN: Final = 100
"""Events that call nobody and may be read again."""


def _ending(
    desk: Desk,
    alert: Alert,
    holds: Mapping[str, Cause],
    last: datetime,
    seen: Seen,
    lab: Lab,
    now: datetime,
) -> list[Line]:
    if alert.key in holds:
        return []
    ended = seen.over and alert.kind not in _OWN_MATTER
    if ended and not alert.stays:
        return _closed(desk, alert, "the run is over", lab, now)
    if not alert.lasting or alert.over is not None:
        return []
    calm = min(alert.calm * 2.0**alert.returned, max(LONGEST_CALM, alert.calm))
    if not ended and (now - last).total_seconds() < calm:
        return []
    if alert.stays:
        return [line("over", now, n=alert.number)]
    why = "it takes messages again" if alert.kind == "message-way" else "its cause is gone"
    return _closed(desk, alert, why, lab, now)


def _given_up(desk: Desk, seen: Seen, lab: Lab, now: datetime) -> list[Line]:
    """Close what is open, since what it says of the rig is true no more: another run has it.

    How the run ended is put down all the same, and who was not told is told, as of what is over.
    """
    known = {alert.key for alert in desk.alerts.values()}
    ends = [c for c in seen.holds if c.key.startswith(END) and c.key not in known]
    lines: list[Line] = [
        _opened(number, cause, seen, lab, now)
        for number, cause in enumerate(ends, start=desk.next_number)
    ]
    desk = with_lines(desk, lines)
    for alert in desk.open_alerts():
        if alert.kind == "message-way":
            # It is not known to work again, and the other run tells of it.
            lines.append(line("closed", now, n=alert.number, why=has_rig(seen.another), owed=[]))
        else:
            lines += _closed(desk, alert, has_rig(seen.another), lab, now)
    return lines


def _closed(desk: Desk, alert: Alert, why: str, lab: Lab, now: datetime) -> list[Line]:
    still = [list(target) for target in owed(desk, alert, lab, now)]
    return [line("closed", now, n=alert.number, why=why, owed=still)]
