"""The progress line of a rehearsal or a live test, on standard error."""

from __future__ import annotations

import shutil
import sys
from typing import Final

from rig.clock import real_seconds
from rig.control.book import Progress

EVERY_ON_TERMINAL: Final = 0.25  # [s] of real time between two lines
EVERY_IN_FILE: Final = 10.0


class ProgressLine:
    """Prints state, count, per cent, test time and remaining real time, now and then.

    On a terminal the line is written over itself; in a file or pipe it is a line at a time.
    `frequency` [Hz] of the loading tells the pace of a live test; a rehearsal's is measured.
    """

    def __init__(self, label: str, frequency: float | None = None) -> None:
        self._label = label
        self._frequency = frequency
        self._terminal = sys.stderr.isatty()
        self._every = EVERY_ON_TERMINAL if self._terminal else EVERY_IN_FILE
        self._began = real_seconds()
        self._last = self._began

    def __call__(self, progress: Progress) -> None:
        """Print the line if it is time."""
        now = real_seconds()
        if now - self._last < self._every:
            return
        self._last = now
        text = self.text(progress, now - self._began)
        if self._terminal:
            # A line that wraps could not be written over.
            text = text[: shutil.get_terminal_size().columns - 1]
        end = "" if self._terminal else "\n"
        start = "\r\x1b[K" if self._terminal else ""
        print(f"{start}{text}", end=end, file=sys.stderr, flush=True)

    def text(self, progress: Progress, elapsed: float) -> str:
        """Return the line for a progress after `elapsed` real seconds [s]."""
        parts = [self._label, progress.state]
        if progress.run_out:
            cycles = min(progress.cycles, progress.run_out)
            share = cycles / progress.run_out
            parts.append(f"{cycles:,} of {progress.run_out:,} cycles ({share:.1%})")
            if 0 < cycles < progress.run_out and progress.state in ("build-up", "cycling"):
                pace = self._frequency or progress.cycles / elapsed
                left = (progress.run_out - cycles) / pace
                parts.append(f"at most {duration(left)} to the run-out")
        parts.append(f"test time {duration(progress.test_s)}")
        if progress.stiffness_share is not None and progress.state == "cycling":
            parts.append(f"stiffness {progress.stiffness_share:.0%} of baseline")
        return " · ".join(parts) if self._terminal else " | ".join(parts)

    def done(self) -> None:
        """Clear the line."""
        if self._terminal:
            print("\r\x1b[K", end="", file=sys.stderr, flush=True)


def duration(seconds: float) -> str:
    """Return a duration [s] in words: "45 s", "12 min", "3.5 h", "25.5 days"."""
    if seconds < 100:
        return f"{seconds:.0f} s"
    if seconds < 6000:
        return f"{seconds / 60:.0f} min"
    if seconds < 172_800:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86_400:.1f} days"
