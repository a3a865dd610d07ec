"""Looking at a run again and again in a thread: whoever asks gets the newest look at once."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Final

from rig.clock import real_seconds
from rig.monitor import words
from rig.monitor.view import View

EVERY: Final = 1.0
"""Seconds between two looks."""
LATE: Final = 5.0
"""Age of a look [s] from which its folder counts as one that does not answer."""


def looks(reader: Callable[[], Callable[[], View]]) -> Callable[[], View]:
    """Return a look at the run of a folder, whichever run that is.

    A folder's name may be given again: `reader` then makes a new reader, for what the one before
    has kept is of another run.
    """
    look, begun = reader(), ""

    def looked() -> View:
        nonlocal look, begun
        view = look()
        if begun and view.header.started_utc != begun:
            look = reader()
            view = look()
        begun = view.header.started_utc
        return view

    return looked


class Looking:
    """Looks in a thread of its own: a disk that hangs holds up nothing but it.

    `look` is called here once, at first; what it raises then is raised. `seconds` is the monotonic
    time [s] by which looks grow old. Use it as a context.
    """

    def __init__(
        self,
        look: Callable[[], View],
        every: float = EVERY,
        seconds: Callable[[], float] = real_seconds,
    ) -> None:
        self._look, self._every, self._seconds = look, every, seconds
        view = look()
        # Who begins with a run whose program is gone is not told meanwhile that it lives.
        self._gone_since = seconds() if _is_gone(view) else math.inf
        self._seen = (view, seconds())
        self._aged = (math.nan, 0.0, self._seen[0])
        self._over = threading.Event()
        # A daemon: one that hangs in a call to the disk keeps nobody from leaving.
        self._thread = threading.Thread(target=self._looks, name="looking", daemon=True)

    def __enter__(self) -> Looking:
        self._thread.start()
        return self

    def __exit__(self, *_why: object) -> None:
        self._over.set()
        self._thread.join(self._every)

    def _looks(self) -> None:
        while not self._over.wait(self._every):
            self._seen = (self._confirmed(self._look()), self._seconds())

    def _confirmed(self, view: View) -> View:
        """Return a view whose program is gone only if it was gone at the look before as well."""
        if not _is_gone(view):
            self._gone_since = math.inf
            return view
        before, self._gone_since = self._gone_since, min(self._gone_since, self._seconds())
        return view if math.isfinite(before) else replace(view, alive=True)

    def newest(self) -> View:
        """Return the newest view, as old as it has become; the same one within a second.

        Where it is late it says so.
        """
        view, at = self._seen
        late = float(int(self._seconds() - at))
        if not late:
            return view
        if self._aged[:2] != (at, late):
            self._aged = (at, late, _aged(view, late, max(LATE, 3 * self._every)))
        return self._aged[2]


def _is_gone(view: View) -> bool:
    return not view.alive and view.ending is None


def _aged(view: View, late: float, most: float) -> View:
    """Return a view some seconds [s] later; after `most` its folder does not answer."""
    silent = f"its folder has not answered for {words.span(late)}" if late >= most else ""
    return replace(
        view,
        now=view.now + timedelta(seconds=late),
        unchanged=view.unchanged + late,
        unreadable=silent or view.unreadable,
    )
