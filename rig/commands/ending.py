"""How a test ended that somebody followed: its result and code, or why there is none."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Final

from rig.assembly.result import Result, recorded_result
from rig.commands.usage import typed
from rig.errors import RigError, StorageError
from rig.record.history import read_journal

MOST_EVENTS: Final = 60


def result_in(out: Path, code: int | None = None) -> tuple[str, Result]:
    """Return title and result of a run that nothing carries out any more.

    `code` is what its runner ended with, None where nobody knows. Raises StorageError for a
    record in trouble, RigError for a runner that ended without a verdict.
    """
    found = None
    with contextlib.suppress(StorageError):
        found = recorded_result(out)
    if code == StorageError.exit_code or (code is None and _record_failed(out)):
        raise StorageError(_last_words(out))
    how = _how(code)
    if found is None:
        raise RigError(_without_end(out, how, killed=code is None or code < 0))
    if not found[1].run.exists():
        raise StorageError(
            f"{out}: the record is complete in journal.db, but the runner {how} before run.h5 was "
            f"made; make it with: nightrig resume {typed(out)}"
        )
    return found


def rig_at_end(out: Path) -> str:
    """Return what was said last of the pressure of a rig in real time, "" where nothing was."""
    with contextlib.suppress(StorageError), read_journal(out) as journal:
        if journal.status is not None and journal.status.live:
            said = [e.text for e in journal.newest_events(MOST_EVENTS) if e.kind == "pressure"]
            return f"pressure {said[-1]}" if said else ""
    return ""


def _without_end(out: Path, how: str, *, killed: bool) -> str:
    """Say that a runner is gone without a verdict: why, what is kept, how the test goes on."""
    # Who is killed says nothing: what its log holds is of another time.
    last = "" if killed else f": {_last_words(out)}"
    kept = ""
    with contextlib.suppress(StorageError), read_journal(out) as journal:
        kept = f"; kept is all up to cycle {journal.rows('cycles'):,}"
    return (
        f"{out}: the runner {how} and without a verdict{last}{kept}. Look at the rig first, its "
        f"controller stops by itself; then: nightrig resume {typed(out)}"
    )


def _how(code: int | None) -> str:
    if code is None:
        return "ended"
    return f"ended with signal {-code}" if code < 0 else f"ended with code {code}"


def _record_failed(out: Path) -> bool:
    """Tell whether the test was stopped last because nothing could be recorded any more."""
    with contextlib.suppress(StorageError), read_journal(out) as journal:
        states = [e.text for e in journal.newest_events(MOST_EVENTS) if e.kind == "state"]
        stops = [text for text in states if text.startswith("stopping,")]
        return bool(stops) and stops[-1].startswith("stopping, record")
    return False


def _last_words(out: Path) -> str:
    with contextlib.suppress(OSError):
        text = (out / "runner.log").read_text(encoding="utf-8", errors="replace")
        if lines := text.split("\n")[-2:-1]:
            return lines[0]
    return f"{out}: the record cannot be read and {out / 'runner.log'} says nothing"
