"""The post at which samples are looked at the moment they arrive."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable

from rig.errors import DeviceError
from rig.ports import Glance
from rig.samples import SampleBlock


class LookOut:
    """Implements `rig.ports.Post`: shows batches to a glance, and stops where it says so.

    `on_stop` is called in the thread in which the samples arrive, at once, once a trip: again only
    after the glance has seen nothing wrong in between, or where the stop could not be given. It
    must not wait. `on_failure` is told why a glance failed, which stops as if it had seen one.
    """

    def __init__(self, on_stop: Callable[[], object], on_failure: Callable[[str], None]) -> None:
        self._on_stop = on_stop
        self._on_failure = on_failure
        self._glance: Glance | None = None
        self._tripped: set[str] = set()
        self._looking = threading.Lock()
        self._notes: deque[str] = deque(maxlen=100)

    def stand(self, glance: Glance | None) -> None:
        """Show every batch of frames to `glance` from now on; None ends it."""
        with self._looking:
            self._glance = glance
            self._tripped.clear()

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
        if stop and not known and self._stopped():
            with self._looking:
                self._tripped.add(port)

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

    def _stopped(self) -> bool:
        """Give the stop; tell whether it went out: if not, the next batch tries again."""
        try:
            self._on_stop()
        except DeviceError as error:
            self._notes.append(f"the valve could not be closed when a limit was seen: {error}")
            return False
        return True
