"""What the lines to the devices tell, written into the record: troubles, counts, skew."""

from __future__ import annotations

from typing import Final

from rig.control.book import Book
from rig.ports import LineReport, Lines

TOLD_EVERY: Final = 1.0  # [s] of test time between looks at what has happened
REPORT_EVERY: Final = 3600.0  # [s] of test time between reports
MOST_TOLD: Final = 200
"""Events between two reports; a line that comes and goes all night must not fill the disk."""


class LineWatch:
    """Writes events of kind "line": what happens on a line, and now and then a report of each.

    The reports hold the skew of each line: how far its values may be off the samples' time.
    Without `lines` there is nothing to tell.
    """

    def __init__(self, lines: Lines | None, book: Book) -> None:
        self._lines = lines
        self._book = book
        self._due = self._report_due = book.time
        self._written = self._left_out = 0

    def look(self) -> None:
        """Write what has happened since the last look; a report where it is time for one."""
        if self._lines is None or self._book.time < self._due:
            return
        self._due = self._book.time + TOLD_EVERY
        self._tell(reports=self._book.time >= self._report_due)

    def end(self) -> None:
        """Write what is left and the last report."""
        self._tell(reports=True)

    def _tell(self, *, reports: bool) -> None:
        if self._lines is None:
            return
        try:
            told = self._lines.told()
            report = self._lines.report() if reports else ()
            texts = [line_words(line) for line in report]
        except Exception as error:  # noqa: BLE001 - whatever a driver raises; the test needs no report
            failed = f"{type(error).__name__}: {error}"
            self._book.event("line", f"no reports of the lines any more: {failed}")
            self._lines = None
            return
        self._write(told)
        if reports:
            self._report(texts)

    def _write(self, told: tuple[str, ...]) -> None:
        room = max(MOST_TOLD - self._written, 0)
        for text in told[:room]:
            self._book.event("line", text)
        self._written += len(told[:room])
        self._left_out += len(told[room:])

    def _report(self, texts: list[str]) -> None:
        self._report_due = self._book.time + REPORT_EVERY
        if self._left_out:
            self._book.event("line", f"{self._left_out:,} more happenings were not written down")
        self._written = self._left_out = 0
        for text in texts:
            self._book.event("line", text)


def line_words(line: LineReport) -> str:
    """Return a report of a line in words: counts, round trips, skew and drift."""
    words = [line.who or "has not said what it is"]
    words.append(f"{line.good:,} good, {line.bad:,} bad, {line.dropped:,} dropped")
    if line.round_trip is not None:
        usual, longest = line.round_trip
        words.append(f"round trip {usual * 1e3:.2f} ms, longest {longest * 1e3:.2f} ms")
    if line.skew is not None:
        words.append(f"skew {line.skew * 1e3:.3f} ms")
    if line.drift is not None:
        words.append(f"drift {line.drift * 1e6:+.2f} ppm")
    if line.trouble:
        words.append("; ".join(filter(None, (f"trouble: {line.trouble}", line.remedy))))
    return f"{line.port} ({line.kind}, {line.path}): {'; '.join(words)}"
