"""Ending the record of a test that was cut off, without anything being moved."""

from __future__ import annotations

import contextlib

from rig.assembly.looking_back import LookBack
from rig.assembly.result import Result, recorded_result
from rig.clock import SystemClock
from rig.control.lock import lock_folder
from rig.control.taken_up import Verdict
from rig.errors import StorageError
from rig.record.entries import Ending
from rig.record.recorder import Recorder
from rig.record.take_up import take_up


def finish_record(found: LookBack, verdict: Verdict) -> Result:
    """End a record with a verdict as it stands: run.h5 is made, no device is asked for anything.

    Raises InputError where somebody else holds the folder, StorageError for the disk.
    """
    with contextlib.ExitStack() as held:
        held.callback(lock_folder(found.folder, SystemClock().utc()).release)
        found.refuse_changed()
        take_up(found.folder)
        text = f"the record is ended as it stands: {verdict.words}"
        end = Ending(verdict.outcome, verdict.why, verdict.cycles, found.ended, verdict.residual)
        end_again(found, end, text)
    ended = recorded_result(found.folder)
    if ended is None:
        raise StorageError(f"{found.folder}: the record has no end although it was given one")
    return ended[1]


def end_again(found: LookBack, end: Ending, event: str = "") -> None:
    """Give a record an end, by who holds its folder already. Raises StorageError."""
    recorder = Recorder.reopen(found.folder, found.header)
    try:
        if event:
            recorder.event(end.ended_time, end.cycles, "resume", event)
        recorder.finish(end.outcome, end.why, end.cycles, end.ended_time, end.residual)
    except BaseException:
        recorder.abandon()
        raise
