"""Following a test that a runner carries out, until it ends or the person leaves."""

from __future__ import annotations

import contextlib
import shlex
import signal
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any, Final

from rig.assembly.result import Result, result_of
from rig.clock import real_seconds
from rig.commands.confirm import Declined, confirm, decline
from rig.commands.progress import ProgressLine
from rig.control.address import find_socket
from rig.control.book import Progress
from rig.control.caller import Caller, LiveRun, NoAnswer, look_at
from rig.control.lock import folder_holder
from rig.errors import EXIT_CODES, RigError, StorageError
from rig.protocol.plan import Plan
from rig.record.history import read_journal

EVERY: Final = 0.25  # [s] between two looks
FIELDS: Final = ("state", "cycles", "run_out", "test_s", "stiffness_share")


@dataclass(frozen=True, slots=True)
class Followed:
    """How following ended: with the test's result and code, or with words that it goes on."""

    result: Result | None
    code: int
    text: str = ""


class Leaving:
    """Notes Ctrl-C, a closed terminal and SIGTERM while entered: the person leaves."""

    def __init__(self) -> None:
        self.asked = False
        self._raises = False
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Leaving:
        for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            self._before[number] = signal.signal(number, self._note)
        return self

    def __exit__(self, *_why: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, _number: int, _frame: FrameType | None) -> None:
        self.asked = True
        if self._raises:
            raise KeyboardInterrupt

    def pause(self) -> None:
        """Wait a moment, or until the person leaves."""
        signal.sigtimedwait((), EVERY)

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


def pass_checklist(
    process: subprocess.Popen[bytes], out: Path, on_call: str | None, leaving: Leaving
) -> None:
    """Have the checklist confirmed if the run waits for it; else have the run stopped.

    Whoever leaves meanwhile has not confirmed it, and sees the run stop.
    """
    run = _first_look(process, out, leaving)
    if run is None or not run.told.get("checklist"):
        return
    with contextlib.suppress(NoAnswer):
        try:
            with leaving.breaks_off():
                confirm(run, on_call)
        except (Declined, OSError, KeyboardInterrupt) as left:
            leaving.asked = False
            decline(run, str(left) or "the checklist was left before its end")


def _first_look(process: subprocess.Popen[bytes], out: Path, leaving: Leaving) -> LiveRun | None:
    """Return what the run says of itself: a run that waits for its list must not be missed."""
    while not leaving.asked:
        path = find_socket(out)
        run = look_at(path) if path is not None else None
        if run is not None or not (process.poll() is None or folder_holder(out)):
            return run
        leaving.pause()
    return None


def follow(
    plan: Plan, process: subprocess.Popen[bytes], out: Path, leaving: Leaving, *, detach: bool
) -> Followed:
    """Show how far the test is until it ends or the person leaves.

    Raises StorageError for a record in trouble, RigError for a runner that ended without one.
    """
    began = real_seconds()
    frequency = plan.loading.frequency if plan.loading else None
    line = ProgressLine(plan.specimen_id, frequency)
    ended = None
    # What was started may be a guard against sleep that ends before the runner: the folder's lock
    # tells whether the runner lives.
    while (ended is None or folder_holder(out)) and not detach and not leaving.asked:
        with contextlib.suppress(subprocess.TimeoutExpired):
            ended = process.wait(EVERY)
        if ended is not None and folder_holder(out):
            leaving.pause()
        # A terminal that is gone is no reason to end: its signal comes.
        with contextlib.suppress(OSError):
            _show(out, line)
    with contextlib.suppress(OSError):
        line.done()
    if ended is None or folder_holder(out):
        return Followed(None, 0, _goes_on(process, out))
    result = _result(plan, out, ended, real_seconds() - began)
    return Followed(result, EXIT_CODES[result.outcome])


def _show(out: Path, line: ProgressLine) -> None:
    path = find_socket(out)
    if path is None:
        return
    with contextlib.suppress(NoAnswer, KeyError), Caller(path) as caller:
        told = caller.ask({"ask": "look"})
        line(Progress(**{key: told[key] for key in FIELDS}))


def _goes_on(process: subprocess.Popen[bytes], out: Path) -> str:
    # The runner is nobody's child from here on.
    process.returncode = 0
    name = shlex.quote(str(out))
    return (
        f"the test goes on in {out}; pause, note, continue, unload ask it from any terminal; "
        f"stop it with: nightrig stop {name}"
    )


def _result(plan: Plan, out: Path, code: int, real_s: float) -> Result:
    """Return what the journal says of the end; `code` is what the started process ended with."""
    ending = None
    with contextlib.suppress(StorageError), read_journal(out) as journal:
        ending = journal.ending
    if code == StorageError.exit_code:
        raise StorageError(_last_words(out))
    how = f"signal {-code}" if code < 0 else f"code {code}"
    if ending is None:
        words = _last_words(out)
        raise RigError(f"{out}: the runner ended with {how} and without a verdict: {words}")
    path = out / "run.h5"
    if not path.exists():
        raise StorageError(
            f"{out}: the record is complete in journal.db, but the runner ended with {how} before "
            "run.h5 was made"
        )
    test_s = ending.ended_time
    return result_of(
        plan, ending.outcome, ending.why, ending.cycles, path, real_s=real_s, test_s=test_s
    )


def _last_words(out: Path) -> str:
    with contextlib.suppress(OSError):
        text = (out / "runner.log").read_text(encoding="utf-8", errors="replace")
        if lines := text.split("\n")[-2:-1]:
            return lines[0]
    return f"{out}: the record cannot be read and {out / 'runner.log'} says nothing"
