"""Alerts kept while a run is looked at: from looks to messages, through the book."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from rig.clock import Clock
from rig.monitor.alerts.messages import Send
from rig.protocol.lab import Lab, Messages, Way

if TYPE_CHECKING:
    from rig.monitor.looks import Look


def _nothing() -> tuple[str, ...]:
    return ()


async def keep_alerting(
    looks: AsyncIterator[Look],
    lab: Lab,
    messages: Messages,
    folder: Path,
    ways: Mapping[Way, Send],
    clock: Clock,
    told_from_afar: Callable[[], tuple[str, ...]] = _nothing,
) -> None:
    """Alert people by the rules of a lab until the run is over and all of it is said.

    `looks` begins at the run's first event (`Looks.follow(0)`): what the book has is not told
    twice. `told_from_afar` is asked about once a second for lines on requests from afar since it was
    asked last. A way that hangs holds up no other. Raises StorageError where the book cannot be
    kept.
    """
    raise NotImplementedError
