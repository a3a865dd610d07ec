"""The open alerts of a run as people read them, the most important first."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import Any

from rig.monitor import words
from rig.monitor.alerts.cause import importance
from rig.monitor.alerts.desk import Alert, Desk, Silence
from rig.protocol.lab import KINDS


def ranked(desk: Desk) -> list[Alert]:
    """Return the open alerts: what nobody acknowledged first, the important, then the newest."""
    return sorted(
        desk.open_alerts(),
        key=lambda a: (bool(a.acknowledged), importance(a.kind), -a.opened.timestamp()),
    )


def alert_lines(
    desk: Desk, alert: Alert, now: datetime, zone: tzinfo | None, *, tries: bool = True
) -> Iterator[str]:
    """Yield an alert in lines: what it is, what to do, who was told, who has answered.

    `tries` tells that somebody lives who tells people.
    """

    def at(when: datetime) -> str:
        return words.moment(when.astimezone(zone), now.astimezone(zone))

    yield f"{alert.number:>3}  {alert.headline}"
    yield f"     since       {at(alert.opened)}, {KINDS[alert.kind]}"
    yield f"     happened    {alert.happened}"
    if tries or alert.kind != "message-way":
        yield f"     rig         {alert.did}"
    yield from (f"     do          {each}" for each in alert.todo)
    yield from (f"     told        {each}" for each in _told(alert, at) or ["nobody so far"])
    for (who, way), why in alert.held.items():
        yield f"     held        for {who} by {way}: {why}"
    if alert.acknowledged and alert.acknowledged_at is not None:
        yield f"     seen        acknowledged by {alert.acknowledged}, {at(alert.acknowledged_at)}"
    if alert.over is not None:
        yield f"     over        since {at(alert.over)}; it stays until somebody resets it"
    for kind in alert.kinds:
        silence = desk.silenced(kind, now)
        if silence is not None:
            yield f"     silenced    {silence_words(silence, at(silence.until))}"


def silence_words(silence: Silence, until: str) -> str:
    """Return a silence in words."""
    return f"{silence.kind} until {until} by {silence.by}: {silence.why}"


def failing_lines(
    desk: Desk, now: datetime, zone: tzinfo | None, *, tries: bool = True
) -> Iterator[str]:
    """Yield who cannot be told by which way; where nobody `tries` any more, who could not."""
    for (who, way), failed in desk.failed.items():
        at = failed.since if tries else failed.last
        when = words.moment(at.astimezone(zone), now.astimezone(zone))
        if tries:
            yield f"FAILS: {way} to {who} fails since {when}, {failed.times} x: {failed.reason}"
        else:
            yield f"not told: {way} to {who} failed last at {when}: {failed.reason}"


def _told(alert: Alert, at: Any) -> list[str]:
    found = []
    for (who, way), told in alert.told.items():
        times = f"{told.times} x, last " if told.times > 1 else ""
        found.append(f"{who} by {way}, {times}{at(told.last)}")
    return found


def plain(desk: Desk, now: datetime) -> dict[str, Any]:
    """Return open alerts, silences and failures as plain values."""
    return {
        "open": [_plain(alert) for alert in ranked(desk)],
        "closed": sum(not alert.open for alert in desk.alerts.values()),
        "silences": [
            {"kind": s.kind, "until_utc": _utc(s.until), "by": s.by, "why": s.why}
            for s in desk.silences.values()
            if s.holds(now)
        ],
        "failing": [
            {"person": who, "way": way, "since_utc": _utc(f.since), "why": f.reason}
            for (who, way), f in desk.failed.items()
        ],
    }


def _plain(alert: Alert) -> dict[str, Any]:
    return {
        "number": alert.number,
        "kinds": list(alert.kinds),
        "headline": alert.headline,
        "happened": alert.happened,
        "did": alert.did,
        "todo": list(alert.todo),
        "opened_utc": _utc(alert.opened),
        "over_utc": _utc(alert.over),
        "stays": alert.stays,
        "acknowledged_by": alert.acknowledged or None,
        "acknowledged_utc": _utc(alert.acknowledged_at),
        "told": [
            {"person": who, "way": way, "times": told.times, "last_utc": _utc(told.last)}
            for (who, way), told in alert.told.items()
        ],
        "held": [{"person": who, "way": way, "why": why} for (who, way), why in alert.held.items()],
    }


def _utc(when: datetime | None) -> str | None:
    return None if when is None else when.isoformat()
