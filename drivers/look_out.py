"""The post at which samples are looked at the moment they arrive."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Final

from rig.errors import DeviceError
from rig.ports import Glance
from rig.samples import SampleBlock

AGAIN: Final = 0.02
"""Device time [s] between tries to give a stop that did not go out."""


class LookOut:
    """Implements `rig.ports.Post`: shows batches to a glance, and stops where it says so.

    `on_stop` is called in the thread in which the samples arrive, at once, once a trip: again only
    after the glance has seen nothing wrong in between. Where it returns False or raises
    DeviceError the stop has not gone out: it is tried again until it has, whatever the glance says
    meanwhile. It must not wait. `on_failure` is told why a glance failed, which stops as if it had
    seen one.
    """

    def __init__(self, on_stop: Callable[[], object], on_failure: Callable[[str], None]) -> None:
        self._on_stop = on_stop
        self._on_failure = on_failure
        self._glance: Glance | None = None
        self._tripped: set[str] = set()
        self._owed: dict[str, int] = {}  # frame at which a stop is tried again, by port
        self._looking = threading.Lock()
        self._notes: deque[str] = deque(maxlen=100)

    def stand(self, glance: Glance | None) -> None:
        """Show every batch of frames to `glance` from now on; None ends it."""
        with self._looking:
            self._glance = glance
            self._tripped.clear()
            self._owed.clear()

    @property
    def manned(self) -> bool:
        """Whether somebody stands here."""
        return self._glance is not None

    def look(self, port: str, block: SampleBlock) -> None:
        """Let whoever stands here look at a batch of a port; one batch at a time."""
        with self._looking:
            stop = self._sees(block)
            known = port in self._tripped
            if not stop:
                self._tripped.discard(port)
            owed = self._owed.get(port)
            due = stop and not known if owed is None else block.end > owed
        if due:
            self._give(port, stop, block)

    def told(self) -> list[str]:
        """Return what has happened here since this was asked last."""
        texts = []
        while self._notes:
            texts.append(self._notes.popleft())
        return texts

    def _sees(self, block: SampleBlock) -> bool:
        glance = self._glance
        if glance is None:
            return False
        try:
            return glance(block)
        except Exception as error:  # noqa: BLE001 - a look that fails must not pass for a good one
            self._on_failure(
                f"the look at arriving samples failed: {type(error).__name__}: {error}; "
                "the valve was closed"
            )
            return True

    def _give(self, port: str, stop: bool, block: SampleBlock) -> None:
        """Give the stop, or remember that it has not gone out."""
        gone = self._stopped()
        with self._looking:
            if not gone:
                self._owed[port] = block.end + round(AGAIN * block.rate)
                return
            self._owed.pop(port, None)
            if stop:
                self._tripped.add(port)

    def _stopped(self) -> bool:
        """Give the stop; tell whether it went out."""
        try:
            return self._on_stop() is not False
        except DeviceError as error:
            self._notes.append(f"the valve could not be closed when a limit was seen: {error}")
            return False
