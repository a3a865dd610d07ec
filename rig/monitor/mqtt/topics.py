"""Topics of our own: one branch a rig, `nightrig/v1/<lab>/<rig>/<name>`."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from typing import Final

from rig.protocol.lab import TOPIC_ROOT

_NAME: Final = r"[a-z0-9][a-z0-9-]{0,31}"
_TOPIC: Final = re.compile(rf"{TOPIC_ROOT}/({_NAME})/({_NAME})/([a-z]+)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Topic:
    """One kind of messages: whether the broker keeps the newest one, at which quality of service.

    `out` is False for what comes to the rig.
    """

    name: str
    retained: bool
    qos: int
    out: bool = True


PRESENCE: Final = Topic("presence", retained=True, qos=1)
STATUS: Final = Topic("status", retained=True, qos=1)
CYCLES: Final = Topic("cycles", retained=False, qos=0)
EVENTS: Final = Topic("events", retained=False, qos=1)
FORECAST: Final = Topic("forecast", retained=True, qos=1)
END: Final = Topic("end", retained=True, qos=1)
ALERTS: Final = Topic("alerts", retained=False, qos=1)
REQUESTS: Final = Topic("requests", retained=False, qos=1, out=False)
ANSWERS: Final = Topic("answers", retained=False, qos=1)
TOPICS: Final = (PRESENCE, STATUS, CYCLES, EVENTS, FORECAST, END, ALERTS, REQUESTS, ANSWERS)
"""All that is said, and heard."""
OUT: Final = tuple(kind for kind in TOPICS if kind.out)


def branch(lab: str, rig: str) -> str:
    """Return what every topic of a rig begins with, without a slash at its end."""
    return f"{TOPIC_ROOT}/{lab}/{rig}"


def topic(lab: str, rig: str, kind: Topic) -> str:
    """Return a topic of a rig."""
    return f"{branch(lab, rig)}/{kind.name}"


def every_rig(lab: str, kind: Topic | None = None) -> str:
    """Return the filter for one kind of messages, or all, of every rig of a lab."""
    return f"{TOPIC_ROOT}/{lab}/+/{kind.name if kind else '+'}"


def parts(text: str) -> tuple[str, str, Topic] | None:
    """Return lab, rig and kind of a topic, None for one that is none of ours."""
    found = _TOPIC.fullmatch(text)
    kind = next((t for t in TOPICS if found and t.name == found[3]), None)
    return (found[1], found[2], kind) if found and kind else None


def identifier(rig: str, run: str) -> str:
    """Return the name by which the broker knows the teller of a run, the same after a restart.

    23 characters of an ASCII letter or digit are what every broker takes (MQTT 3.1.1, 3.1.3.1);
    dashes are taken by all that we know of.
    """
    return f"{rig[:10]}-{hashlib.sha256(run.encode()).hexdigest()[:12]}"
