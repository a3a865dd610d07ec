"""Following a test that a runner carries out, until it ends or the person leaves."""

from __future__ import annotations

import contextlib
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rig.assembly.result import Result
from rig.commands.confirm import Declined, confirm, decline
from rig.commands.ending import result_in, rig_at_end
from rig.commands.leaving import EVERY, Leaving
from rig.commands.saying import folded, result_json, say, say_json, summary
from rig.commands.screen import Shown, is_new, show_last, show_run
from rig.commands.usage import typed
from rig.control.address import find_socket
from rig.control.caller import LiveRun, NoAnswer, look_at
from rig.control.lock import UNKNOWN, folder_holder
from rig.errors import EXIT_CODES, RigError, StorageError

NEW_WITHIN: Final = 5.0
"""How long [s] a screen waits for something new of a test that goes on."""


@dataclass(frozen=True, slots=True)
class Followed:
    """How following ended: with the test's title and result, with a problem, or it goes on."""

    out: Path
    ended: tuple[str, Result] | None = None
    problem: RigError | None = None
    rehearsal: bool = False

    def say(self, shown: Shown | None, *, as_json: bool) -> int:
        """Print how the test ended, or that it goes on; return the code. Nobody may read it.

        Where it is `shown` on a terminal its last screen comes first. Raises the problem.
        """
        if self.problem is not None:
            if shown is not None:
                show_last(self.out, shown, str(self.problem))
            raise self.problem
        if self.ended is not None:
            return say_end(self.out, *self.ended, shown, as_json=as_json)
        # Whoever leaves is not held up by a pipe that nobody empties.
        told = _goes_on(self.out, rehearsal=self.rehearsal)
        stream = sys.stderr if as_json else sys.stdout
        say(folded(told, stream), err=as_json, waits=False)
        if as_json:
            say_json({"outcome": None, "running": True})
        return 0


def say_end(out: Path, title: str, result: Result, shown: Shown | None, *, as_json: bool) -> int:
    """Print the last screen of a test that has ended, and its result; return the code."""
    rig = rig_at_end(out)
    lines = [summary(title, result, out), *([f"  rig       {rig}"] if rig else [])]
    follows = "" if as_json else "\n".join(lines)
    if not (shown is not None and show_last(out, shown, follows)):
        lines.insert(1, f"  screen    nightrig watch --once {typed(out)}")
    if as_json:
        say_json(result_json(result))
    else:
        say(folded("\n".join(lines), sys.stdout))
    # What was imported has no outcome.
    return EXIT_CODES[result.last.outcome] if result.outcome else 0


def _goes_on(out: Path, *, rehearsal: bool) -> str:
    """Return that a test goes on, how to see it again and how to stop it."""
    name = typed(out)
    again = f"see it again with: nightrig watch {name}"
    if rehearsal:
        return f"the rehearsal goes on in {out}\n{again}\nstop it with Ctrl-C in its own terminal"
    return (
        f"the test goes on in {out}; pause, note, continue, unload ask it from any terminal\n"
        f"{again}\nstop it with: nightrig stop {name}"
    )


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
    process: subprocess.Popen[bytes],
    out: Path,
    leaving: Leaving,
    shown: Shown | None,
    before: str | None = None,
) -> Followed:
    """Show a test until it ends or the person leaves; leave at once where it is not `shown`.

    `before` is the stamp of the last status of a record that goes on, which is not shown.
    """

    def lives() -> bool:
        # What was started may be a guard against sleep that ends before the runner: the folder's
        # lock tells whether the runner lives. One that cannot be seen is no reason to wait for
        # ever: its disk may be gone for good.
        return process.poll() is None or folder_holder(out) not in (None, UNKNOWN)

    if shown is not None:
        waited = 0.0
        while before is not None and not is_new(out, before) and waited < NEW_WITHIN:
            if leaving.asked or not lives():
                break
            leaving.pause()
            waited += EVERY
        try:
            show_run(out, leaving.is_asked, leaving.pause, shown)
        except (OSError, StorageError) as error:
            say(f"the screen cannot be shown, the test is waited for: {error}", err=True)
        # With its end written the record is still being closed; and where nobody sees the screen
        # any more, whoever started the test may still wait for its code.
        while lives() and not leaving.asked:
            leaving.pause()
    if lives():
        # The runner is nobody's child from here on.
        process.returncode = 0
        return Followed(out)
    return ended(out, process.returncode)


def ended(out: Path, code: int | None = None) -> Followed:
    """Return how a test that nothing carries out any more has ended; `code` as its runner did."""
    try:
        return Followed(out, result_in(out, code))
    except RigError as problem:
        return Followed(out, problem=problem)
