"""The person leaves, by Ctrl-C or another signal: noted while something else goes on."""

from __future__ import annotations

import contextlib
import signal
from collections.abc import Iterator
from types import FrameType
from typing import Any, Final

SIGNALS: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT)
EVERY: Final = 0.25  # [s] between two looks at what goes on


class Leaving:
    """Notes Ctrl-C, Ctrl-Backslash, a closed terminal and SIGTERM: the person leaves.

    What the program was started to ignore it goes on to ignore.
    """

    def __init__(self) -> None:
        self.asked = False
        self._raises = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Leaving:
        for number in SIGNALS:
            # A job in the background or under nohup was started so as not to be ended by it.
            if signal.getsignal(number) is signal.SIG_IGN:
                continue
            self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(self, *_why: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, _number: int, _frame: FrameType | None) -> None:
        self.asked = True
        if self._raises:
            raise KeyboardInterrupt

    def is_asked(self) -> bool:
        """Tell whether the person leaves."""
        return self.asked

    def pause(self, seconds: float = EVERY) -> None:
        """Wait some seconds [s], or until the person leaves."""
        # A signal on the way here would be missed by a long wait.
        signal.sigtimedwait((), min(seconds, EVERY))

    @contextlib.contextmanager
    def breaks_off(self) -> Iterator[None]:
        """Let leaving break off what is done inside, by KeyboardInterrupt."""
        self._raises = True
        try:
            if self.asked:
                raise KeyboardInterrupt
            yield
        finally:
            self._raises = False
