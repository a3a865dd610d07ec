"""What is handed to a way of telling people, and what a way answers with."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any, Literal

Purpose = Literal["first", "again", "escalated", "over", "rest", "test"]
"""Why a message is sent: "over" tells that it is over, "rest" tells many alerts in one."""


@dataclass(frozen=True, slots=True)
class AlertText:
    """One message to some people by one way.

    `seq` numbers the messages of a run, `number` its alerts (0 where it is about none or many).
    `subject` is one line of at most 70 letters, `text` the whole. `addresses` are those of
    `people` for mail. `plain` holds what programs read: plain values with units in their names.
    """

    seq: int
    number: int
    kind: str
    purpose: Purpose
    subject: str
    text: str
    at_utc: str
    people: tuple[str, ...] = ()
    addresses: tuple[str, ...] = ()
    plain: dict[str, Any] = field(default_factory=dict)


class WayDead(Exception):
    """A way could not take a message: `reason` in one line, without any secret."""

    def __init__(self, reason: str) -> None:
        self.reason = reason
        super().__init__(reason)


Send = Callable[[AlertText], Awaitable[None]]
"""Returns once the message is taken over by the way. Raises WayDead."""
