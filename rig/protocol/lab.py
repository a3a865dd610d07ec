"""What a lab file says once it is read: the broker, who is told of what, and how.

Plain values in SI. A secret is never among them, only where it is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

TOPIC_ROOT: Final = "nightrig/v1"
"""Under it every topic lies: `nightrig/v1/<lab>/<rig>/...`."""

FROM_AFAR: Final = ("pause", "stop")
"""All that may be asked from elsewhere."""

Way = Literal["mqtt", "mail", "program"]
WAYS: Final[tuple[Way, ...]] = ("mqtt", "mail", "program")
"""How people are told."""


@dataclass(frozen=True, slots=True)
class Secret:
    """Where a secret is kept: a file of its user alone, or a variable of the environment.

    One of both is given. `file` is a path as it is opened, not as it was written.
    """

    file: str = ""
    variable: str = ""


@dataclass(frozen=True, slots=True)
class Tls:
    """TLS to a server: `ca` is the file of its authority, "" for those the computer trusts.

    `certificate` and `key` are those of this client, "" where the server asks for none.
    """

    ca: str = ""
    certificate: str = ""
    key: str = ""


@dataclass(frozen=True, slots=True)
class Broker:
    """The MQTT broker; `tls` None speaks in the clear, `keep_alive` [s]."""

    host: str
    port: int
    user: str = ""
    password: Secret | None = None
    tls: Tls | None = None
    keep_alive: float = 15.0


@dataclass(frozen=True, slots=True)
class Afar:
    """Requests from elsewhere: `secret` signs them, `within` [s] is how old one may be.

    Of each kind `most` are taken in a minute; what is not signed takes nothing from them.
    """

    secret: Secret
    within: float = 30.0
    most: int = 12


@dataclass(frozen=True, slots=True)
class MailServer:
    """The server that takes mail: `security` is "starttls", "tls" or "none"."""

    host: str
    port: int
    sender: str
    security: str = "starttls"
    user: str = ""
    password: Secret | None = None
    ca: str = ""


@dataclass(frozen=True, slots=True)
class Program:
    """A program that is started for each alert: its argument list; the text is its input.

    It is ended after `within` [s].
    """

    arguments: tuple[str, ...]
    within: float = 30.0


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who is told: `mail` is an address, "" where there is none."""

    name: str
    mail: str = ""


@dataclass(frozen=True, slots=True)
class AlertRule:
    """Who is told of which kinds of trouble, how and when.

    `kinds` are keys of `KINDS`, `people` names of persons, `ways` some of `WAYS`. Within `quiet`
    (minutes of the day, from and to) nothing of a `MOVABLE` kind is sent; it comes when they end
    if it still holds. `repeat` [s] is after how long it is told again until somebody acknowledges,
    0 never; `escalate_after` [s] without that `escalate_to` are told too, 0 never. `stays` keeps an
    alert open until somebody resets it, though its cause is gone. At most `most` alerts of this
    rule are sent in an hour; the rest are counted and told in one.
    """

    name: str
    kinds: tuple[str, ...]
    people: tuple[str, ...]
    ways: tuple[Way, ...]
    quiet: tuple[int, int] | None = None
    repeat: float = 0.0
    escalate_after: float = 0.0
    escalate_to: tuple[str, ...] = ()
    stays: bool = False
    most: int = 12


@dataclass(frozen=True, slots=True)
class Lab:
    """A lab file. `zone` is the zone of its hours, "" the computer's."""

    name: str
    broker: Broker | None = None
    afar: Afar | None = None
    mail: MailServer | None = None
    program: Program | None = None
    people: tuple[Person, ...] = ()
    rules: tuple[AlertRule, ...] = ()
    zone: str = ""


@dataclass(frozen=True, slots=True)
class Messages:
    """`[messages]` of a rig file: where the lab file is, the rig's name in topics.

    `lab` is a path as it is opened. `requests` are those of `FROM_AFAR` that this rig allows.
    `user` and `password` are the rig's own at the broker, where they differ from the lab's.
    """

    lab: str
    name: str
    requests: tuple[str, ...] = ()
    user: str = ""
    password: Secret | None = None


KINDS: Final[dict[str, str]] = {
    "failure": "the specimen failed",
    "run-out": "the test reached its run-out",
    "ultimate": "the static test reached its ultimate load",
    "limit": "a limit stopped the rig",
    "fault": "a fault of rig, sensor or device ended the test",
    "operator": "somebody ended the test",
    "gone": "the program that runs the test is gone",
    "silent": "no new data has come for 5 min",
    "record": "the disk, or the record on it, is in trouble",
    "waits": "the rig stands and waits for people",
    "pause": "the test paused by itself",
    "inspection": "an inspection is due or waits",
    "sensor": "a sensor is in doubt",
    "rig": "something of the rig is not as it should be",
    "water": "spray, tank or leak",
    "specimen": "the specimen changes: a warning, a step, an early loss",
    "alert-only": "a criterion that is alert only would have acted",
    "forecast": "the end is foretold within a day",
    "request": "a request from afar was acted on or refused",
    "message-way": "a way of telling people is dead",
}
"""Kinds of alerts, and what each is about."""

MOVABLE: Final = frozenset({"pause", "inspection", "water", "specimen", "forecast", "operator"})
"""Kinds that quiet hours hold back; every other kind comes at any hour."""
