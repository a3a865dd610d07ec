"""Alerts in words: a subject for a locked screen, and a text that a tired person can act on."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any, Final

from rig.monitor import words
from rig.monitor.alerts.cause import Cause, importance
from rig.monitor.alerts.desk import VERSION, Alert, Desk
from rig.monitor.alerts.due import Due
from rig.monitor.alerts.messages import AlertText, Purpose
from rig.monitor.view import View
from rig.protocol.lab import KINDS, Lab, Messages

SUBJECT: Final = 70
"""Letters of a subject at the most."""
MOST_TOLD: Final = 20
"""Alerts that one message tells; of more than these, how many there are."""
BRIEF: Final = 120
"""Letters of each of their texts at the most."""
CAUTION: Final = (
    "An alert is no safety system: it may come late, or not at all. Somebody has to look after "
    "the rig as the protocol's attendance says."
)
_BEFORE: Final[dict[Purpose, str]] = {
    "again": "AGAIN: ",
    "escalated": "NO ANSWER: ",
    "over": "OVER: ",
}


def where_of(view: View, messages: Messages, zone: tzinfo | None) -> dict[str, Any]:
    """Return what is said of rig, specimen and time beside an alert, as plain values."""
    header, status = view.header, view.status
    return {
        "rig": messages.name,
        "frame": status.rig,
        "run": header.run_id,
        "title": header.title,
        "specimen_id": header.specimen_id,
        "exposure": header.exposure,
        "cycles": view.ending.cycles if view.ending else status.cycles,
        "run_out": status.run_out,
        "clock": clock(view.now, zone),
        "on_call": status.on_call,
        "simulated": header.simulated,
    }


def clock(when: datetime, zone: tzinfo | None) -> str:
    """Return day and time on the lab's clock: "Wed 25 Nov 03:10:12 CET"."""
    local = when.astimezone(zone)
    return f"{words.date(local)} {local:%H:%M:%S} {words.zone_name(local)}"


def as_it_is(alert: Alert, current: Mapping[str, Cause], where: Mapping[str, Any]) -> Alert:
    """Return an alert in the words of now, where its cause still holds."""
    cause = current.get(alert.key)
    if cause is None or not alert.open:
        return alert
    return replace(
        alert,
        headline=cause.headline,
        happened=cause.happened,
        did=cause.did,
        todo=cause.todo,
        where=where,
    )


def message(
    desk: Desk,
    due: Due,
    lab: Lab,
    folder: Path,
    now: datetime,
    zone: tzinfo | None,
    as_now: Callable[[Alert], Alert] = lambda alert: alert,
) -> AlertText:
    """Return a message that is due, in words and as plain values; `as_now` brings it up to date."""
    found = [_todo_now(as_now(desk.alerts[number]), due) for number in due.alerts]
    alerts = sorted(found, key=lambda a: (importance(a.kind), a.number))
    if len(alerts) > 1:
        alerts = [_brief(alert) for alert in alerts]
    first = alerts[0]
    subject = _subject(first, due, len(alerts))
    parts = _one(first, due, folder, now, zone) if len(alerts) == 1 else _many(alerts, folder, zone)
    seq = desk.counts.get(due.way, 0) + 1
    mails = {person.name: person.mail for person in lab.people if person.mail}
    taken = [f"{alert.closed_why} now: it may move" for alert in alerts if alert.taken][:1]
    whole = "\n".join([*taken, subject, "", *parts, "", *_folded(CAUTION)]) + "\n"
    # A folder's name may hold bytes that are no letters.
    text = whole.encode(errors="replace").decode()
    return AlertText(
        seq=seq,
        number=first.number if len(alerts) == 1 else 0,
        kind=first.kind,
        purpose=due.purpose,
        subject=subject,
        text=text,
        at_utc=_utc(now),
        people=due.people,
        addresses=tuple(mails[name] for name in due.people if name in mails),
        plain=_plain(alerts, due, subject, text, seq, now),
    )


def _todo_now(alert: Alert, due: Due) -> Alert:
    """Return an alert with what is still to be done, and said of the rig, by now."""
    if alert.taken:
        todo = "of this run nothing; before you go near: look what the other run does"
        did = "its part is over: what was then of pressure, gauge and load says nothing of now"
        return replace(alert, did=did, todo=(todo,))
    return replace(alert, todo=("nothing",)) if due.purpose == "over" else alert


def _brief(alert: Alert) -> Alert:
    """Return an alert as short as one of many is told: a broker takes no message of any length."""
    return replace(
        alert,
        headline=_short(alert.headline, BRIEF),
        happened=_short(alert.happened, BRIEF),
        did=_short(alert.did, BRIEF),
        todo=tuple(_short(each, BRIEF) for each in alert.todo[:2]),
    )


def _utc(when: datetime) -> str:
    return f"{when.astimezone(UTC):%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z"


def _subject(alert: Alert, due: Due, count: int) -> str:
    rig = f"{alert.where.get('rig', '')}: "
    if alert.where.get("simulated"):
        rig = f"(simulated) {rig}"
    if due.purpose == "rest":
        return _short(f"{rig}{count} alerts, first {alert.headline}")
    before = "ANOTHER RUN HAS IT, WAS: " if alert.taken else _BEFORE.get(due.purpose, "")
    told = _short(f"{rig}{before}{alert.headline}")
    whole = f"{told}, {alert.where.get('specimen_id', '')}"
    return whole if len(whole) <= SUBJECT and alert.where.get("specimen_id") else told


def _short(text: str, most: int = SUBJECT) -> str:
    line = "".join(letter if letter.isprintable() else " " for letter in text)
    return line if len(line) <= most else f"{line[: most - 1].rstrip()}…"


def _one(alert: Alert, due: Due, folder: Path, now: datetime, zone: tzinfo | None) -> Iterator[str]:
    if due.purpose == "over":
        over = alert.closed or alert.over or now
        yield from _part("It is over", [f"{alert.closed_why or 'over'}, {clock(over, zone)}"])
    yield from _part("What happened", [alert.happened])
    # Of a way that works again it is not true any more.
    if due.purpose != "over" or alert.kind != "message-way":
        yield from _part("What the rig did", [alert.did])
    yield from _part("What to do now", alert.todo)
    yield ""
    yield from _where(alert.where)
    yield f"When      {clock(alert.opened, zone)}"
    yield f"Told      {', '.join(due.people)}{_before(alert, due, zone)}"
    yield from _commands(folder, alert if due.purpose != "over" else None)


def _before(alert: Alert, due: Due, zone: tzinfo | None) -> str:
    if due.purpose == "again":
        mine = (t for (who, way), t in alert.told.items() if way == due.way and who in due.people)
        times = max((each.times for each in mine), default=0)
        before = "told once before" if times == 1 else f"told {times} times before"
        return f"; {before} by {due.way}, nobody has acknowledged"
    if due.purpose == "escalated" and alert.began is not None:
        told = dict.fromkeys(person for person, _ in alert.told)
        return (
            f"; {', '.join(told) or 'nobody else'} did not answer since {clock(alert.began, zone)}"
        )
    return ""


def _many(alerts: Sequence[Alert], folder: Path, zone: tzinfo | None) -> Iterator[str]:
    yield f"{len(alerts)} alerts that the limit of messages an hour held back:"
    for alert in alerts[:MOST_TOLD]:
        over = "" if alert.open else f" (over: {alert.closed_why})"
        yield ""
        yield from _folded(f"{alert.number}. {alert.headline}{over}")
        yield from _part(f"   {clock(alert.opened, zone)}", [alert.happened, *alert.todo])
    if len(alerts) > MOST_TOLD:
        yield from ("", f"and {len(alerts) - MOST_TOLD} more")
    yield ""
    yield from _where(alerts[0].where)
    yield from _commands(folder, None)


def _part(title: str, lines: Sequence[str]) -> Iterator[str]:
    yield title
    for text in lines:
        yield from _folded(text, "  - " if len(lines) > 1 else "  ")


def _folded(text: str, begin: str = "") -> list[str]:
    """Return a text in lines that fit a mail; what can be typed is never broken."""
    if "nightrig " in text:
        return [f"{begin}{text}"]
    folded = textwrap.wrap(
        text,
        76,
        initial_indent=begin,
        subsequent_indent=" " * len(begin),
        break_long_words=False,
        break_on_hyphens=False,
    )
    return folded or [begin]


def _where(where: Mapping[str, Any]) -> Iterator[str]:
    frame = f" ({where['frame']})" if where.get("frame") else ""
    simulated = ", simulated: no rig moves" if where.get("simulated") else ""
    yield f"Rig       {where.get('rig', '')}{frame}{simulated}"
    yield f"Specimen  {where.get('specimen_id') or '-'}, {where.get('exposure', '')}"
    yield f"Test      {where.get('title', '')}"
    most = where.get("run_out") or 0
    yield f"Count     {where.get('cycles', 0):,}{f' of {most:,}' if most else ''} cycles"
    if where.get("on_call"):
        yield f"On call   {where['on_call']}"


def _commands(folder: Path, alert: Alert | None) -> Iterator[str]:
    path = shlex.quote(str(folder))
    yield f"Look      nightrig watch {path}"
    if alert is None:
        yield f"Alerts    nightrig alerts {path}"
    else:
        yield f'Answer    nightrig alerts {path} --acknowledge {alert.number} --by "YOUR NAME"'


def _plain(
    alerts: Sequence[Alert], due: Due, subject: str, text: str, seq: int, now: datetime
) -> dict[str, Any]:
    where = alerts[0].where
    return {
        "v": VERSION,
        "run": where.get("run", ""),
        "seq": seq,
        "kind": alerts[0].kind,
        "purpose": due.purpose,
        "subject": subject,
        "text": text,
        "people": list(due.people),
        "at_utc": _utc(now),
        "alerts": [_plain_alert(alert) for alert in alerts[:MOST_TOLD]],
    }


def _plain_alert(alert: Alert) -> dict[str, Any]:
    where = alert.where
    return {
        "seq": alert.number,
        "kind": alert.kind,
        "kinds": list(alert.kinds),
        "about": KINDS[alert.kind],
        "headline": alert.headline,
        "happened": alert.happened,
        "did": alert.did,
        "todo": list(alert.todo),
        "rig": where.get("rig", ""),
        "specimen_id": where.get("specimen_id", ""),
        "cycles": where.get("cycles", 0),
        "opened_utc": _utc(alert.opened),
        "open": alert.open,
    }
