"""A test alert: one message on every way to everybody whom the rules name."""

from __future__ import annotations

import textwrap
from collections.abc import AsyncIterator, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from rig.clock import Clock
from rig.monitor.alerts.desk import VERSION
from rig.monitor.alerts.messages import AlertText, Send, WayDead
from rig.monitor.alerts.wording import CAUTION, clock
from rig.protocol.lab import Lab, Way


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a test message by one way to some people: `failed` says why, "" for well."""

    way: Way
    people: tuple[str, ...]
    failed: str


async def tried(
    lab: Lab, ways: Mapping[Way, Send], rig: str, time: Clock, zone: tzinfo | None
) -> AsyncIterator[Tried]:
    """Yield what becomes of each message of a test, one after the other."""
    for number, (way, people) in enumerate(_everybody(lab), start=1):
        alert = _test(lab, people, rig, number, time.utc(), zone)
        failed = ""
        try:
            await ways[way](alert)
        except WayDead as dead:
            failed = dead.reason
        except KeyError:
            failed = "it is not set up in this lab file"
        yield Tried(way, people, failed)


def _everybody(lab: Lab) -> Iterator[tuple[Way, tuple[str, ...]]]:
    """Yield each way with those whom some rule names for it; by mail each person alone."""
    addressed = {person.name for person in lab.people if person.mail}
    for way in dict.fromkeys(way for rule in lab.rules for way in rule.ways):
        rules = [rule for rule in lab.rules if way in rule.ways]
        people = tuple(dict.fromkeys(n for r in rules for n in (*r.people, *r.escalate_to)))
        if way == "mail":
            yield from ((way, (name,)) for name in people if name in addressed)
        else:
            yield way, people


def _test(
    lab: Lab, people: tuple[str, ...], rig: str, seq: int, now: datetime, zone: tzinfo | None
) -> AlertText:
    subject = f"{rig}: TEST ALERT, nothing has happened"
    text = "\n".join(
        [
            subject,
            "",
            "Somebody tries whether alerts reach you. Nothing has to be done.",
            f"Lab       {lab.name}",
            f"When      {clock(now, zone)}",
            f"Told      {', '.join(people)}",
            "",
            *textwrap.wrap(CAUTION, 76),
            "",
        ]
    )
    at = f"{now.astimezone(UTC):%Y-%m-%dT%H:%M:%S}Z"
    plain = {
        "v": VERSION,
        # No two tests are one message: who receives mail may drop what comes twice.
        "run": f"test {now.isoformat()}",
        "seq": seq,
        "kind": "message-way",
        "purpose": "test",
        "subject": subject,
        "text": text,
        "people": list(people),
        "at_utc": at,
        "alerts": [],
    }
    mails = {person.name: person.mail for person in lab.people if person.mail}
    return AlertText(
        seq=seq,
        number=0,
        kind="message-way",
        purpose="test",
        subject=subject,
        text=text,
        at_utc=at,
        people=people,
        addresses=tuple(mails[name] for name in people if name in mails),
        plain=plain,
    )
