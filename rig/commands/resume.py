"""`nightrig resume`: goes on with a test that was cut off or stopped, or closes its record."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.options import RUN_CODES, accept_option, ascii_option, json_option
from rig.commands.saying import folded, goes_on, say, say_refusal
from rig.commands.screen import Shown
from rig.commands.usage import typed
from rig.errors import InputError, RigError, StorageError

if TYPE_CHECKING:
    from rig.assembly.looking_back import LookBack


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed beside the folder."""

    mended: str
    end: str | None
    rig: str | None
    on_call: str | None
    detach: bool
    ascii_only: bool
    as_json: bool
    accept: str | None = None

    @property
    def shown(self) -> Shown | None:
        """How the test is shown, None where nobody stays to see it."""
        return None if self.detach else Shown(ascii_only=self.ascii_only)


@click.command(epilog=RUN_CODES)
@click.argument("folder", metavar="DIR")
@click.option(
    "--mended",
    metavar="TEXT",
    help="What was done about the limit or fault that ended the test; then it goes on.",
)
@click.option(
    "--end",
    metavar="[WHY]",
    is_flag=False,
    flag_value="",
    help="Do not go on: close the record of a test that was cut off. Nothing moves.",
)
@click.option(
    "--rig",
    "rig_name",
    metavar="RIG",
    help="A rig file in place of the recorded one, such as one with another port or limit.",
)
@click.option("--on-call", metavar='"NAME, PHONE"', help="Who is called; asked for if needed.")
@accept_option
@click.option("--detach", is_flag=True, help="Return once the test goes on.")
@ascii_option
@json_option
def resume(
    folder: str,
    mended: str | None,
    end: str | None,
    rig_name: str | None,
    on_call: str | None,
    accept: str | None,
    detach: bool,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Go on with the test in DIR after a crash, a power cut, a full disk or a stop.

    It says what happened and what is known, then repeats the checks (on a rig that moves
    something real the checklist too), makes contact, compares the stiffness with before, and goes
    on with the count. A test that ended with a limit or a fault goes on once its cause is mended:
    say how with --mended. The files are those of its beginning: a changed rig file is used only
    where --rig names it. Of a test that has failed or run out the record is checked, made again
    where it is damaged, and its result printed; nothing moves.

    Software is no safety system: look after the rig at the rig first.

    Example: nightrig resume night-1
    """
    try:
        done, why = _told(mended, end), None if end is None else _one_line(end)
        asked = Asked(done, why, rig_name, on_call, detach, ascii_only, as_json, accept)
        return _resumed(Path(folder), asked)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def _told(mended: str | None, end: str | None) -> str:
    """Return in one line what was done, "" where nothing was said. Raises InputError."""
    if mended is None:
        return ""
    words = _one_line(mended)
    if not words:
        raise InputError('--mended: say what was done, such as --mended "sensor cable renewed"')
    if end is not None:
        raise InputError("--mended goes on and --end does not: give one of them")
    return words


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _resumed(out: Path, asked: Asked) -> int:
    """Close the record, print how it ended, or go on; return the code. Raises RigError."""
    from rig.assembly.looking_back import RESUMABLE, look_back
    from rig.record.entries import AS_IT_STANDS

    found, doubt = readable(out)
    if found.header.imported:
        return _imported(out, doubt, asked)
    if doubt and (asked.end is not None or found.verdict is not None):
        _say(f"{out}: {doubt}")
    if found.verdict is not None or (found.ending is None and asked.end is not None):
        _closed(found, asked)
        found = look_back(out)
    elif found.ending is not None and asked.end is not None:
        _say(f"{out}: it had ended already; it stays as it is")
    last = found.ending.last if found.ending else None
    outcome = last.outcome if last else ""
    closed = last is not None and last.why.startswith(AS_IT_STANDS)
    stopped = outcome == "operator" and asked.end is None and not closed
    if not outcome or stopped or (asked.mended and outcome in RESUMABLE):
        from rig.commands.going_on import go_on

        return go_on(found, asked, doubt)
    return _as_it_ended(out, outcome, asked)


def readable(out: Path) -> tuple[LookBack, str]:
    """Return what a folder's record holds, and what makes its end doubtful, "" for nothing.

    Raises InputError where there is none or somebody writes it, StorageError where it is damaged.
    """
    from rig.assembly.looking_back import look_back
    from rig.commands.damaged import refuse_damaged
    from rig.commands.folders import holds_run, place
    from rig.control.lock import folder_holder

    if not holds_run(out):
        if remains := _remains(out):
            raise StorageError(f"{out}: its journal.db is missing; {remains}")
        raise InputError(place(out).text)
    if holder := folder_holder(out):
        raise InputError(
            f"{out}: the folder is in use ({holder.who}); nothing was started; wait for its end, "
            f"see it with: nightrig watch {typed(out)}"
        )
    doubt = refuse_damaged(out)
    return look_back(out), doubt


def _remains(out: Path) -> str:
    """Return what is there of a run whose journal is gone, "" for nothing."""
    copy = "keep a copy of the folder before anything else, and look for a backup of journal.db"
    if (out / "run.h5").is_file():
        return f"run.h5 is there: of a test that had ended it holds everything; {copy}"
    left = [name for name in ("journal.db-wal", "segments") if (out / name).exists()]
    return f"{' and '.join(left)} may hold a part of it; {copy}" if left else ""


def _imported(out: Path, doubt: str, asked: Asked) -> int:
    """Look after the record of an imported run: there is no test to go on with."""
    from rig.record.history import read_journal

    if doubt:
        _say(f"{out}: {doubt}")
    with read_journal(out) as journal:
        for event in journal.events():
            if event.kind == "record":
                _say(f"{out}: its samples were lost: {event.text}")
    _say(
        f"{out}: was imported, there is nothing to go on with; to judge it: nightrig replay "
        f"{typed(out)} --protocol PROTOCOL"
    )
    return _as_it_ended(out, "", asked)


def _closed(found: LookBack, asked: Asked) -> None:
    """End a record with the verdict that stands, or as it stands."""
    from rig.assembly.as_it_stands import finish_record
    from rig.record.entries import AS_IT_STANDS

    verdict = found.verdict
    if verdict is None:
        why = f"{AS_IT_STANDS}: {asked.end}" if asked.end else AS_IT_STANDS
        verdict = found.as_it_stands(why)
        said = "closed as it stands"
    else:
        said = "the test had ended and only its record had not: finished now"
    finish_record(found, verdict)
    _say(f"{found.folder}: {said}; nothing was moved")


def _as_it_ended(out: Path, outcome: str, asked: Asked) -> int:
    """Print how a test ended, its run.h5 made again where it must be; return the code."""
    from rig.assembly.result import recorded_result
    from rig.commands.follow import say_end

    _mend_run_file(out)
    ended = recorded_result(out)
    if ended is None:
        raise StorageError(f"{out}: the record has lost its end meanwhile; look once more")
    on = goes_on(outcome, ended[1].last.why, out)
    if on and asked.end is None:
        _say(f"{out}: nothing was moved; it goes on {on}")
    elif asked.mended:
        _say(f"{out}: nothing was moved; a test that ended with {outcome} does not go on")
    return say_end(out, *ended, asked.shown, as_json=asked.as_json)


def _mend_run_file(out: Path) -> None:
    """Make run.h5 again where it is missing or damaged. Raises StorageError."""
    from rig.clock import SystemClock
    from rig.control.lock import lock_folder
    from rig.record.kept_samples import SamplesLost
    from rig.record.runfile import rebuild, rebuild_rows
    from rig.record.verify import trouble_in_run_file

    trouble = trouble_in_run_file(out)
    if not trouble:
        return
    lock = lock_folder(out, SystemClock().utc())
    try:
        rebuild(out)
    except SamplesLost as lost:
        kept = rebuild_rows(out, str(lost))
        left = f"; what is left of it is {kept}" if kept.exists() else ""
        raise StorageError(
            f"{lost}; run.h5 was made again with these rows and without samples{left}"
        ) from lost
    finally:
        lock.release()
    if again := trouble_in_run_file(out):
        raise StorageError(f"{again}, although it was just made again; see to the disk")
    _say(f"{trouble}: made again from the journal, and verified")


def _say(text: str) -> None:
    say(folded(text, sys.stderr), err=True)
