"""Going on with a test that was cut off or stopped: as a rehearsal, or in real time."""

from __future__ import annotations

import os
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rig.assembly.devices import find_driver
from rig.assembly.looking_back import LookBack
from rig.assembly.rehearsal import ALONE, go_on_rehearsing
from rig.assembly.stand_in import kept
from rig.clock import SystemClock
from rig.commands.account import account, happened
from rig.commands.files import find_rig
from rig.commands.rehearse import beside_screen, refuse_full, say_rehearsed
from rig.commands.run import start
from rig.commands.saying import folded, say
from rig.commands.screen import STOPS, Shown
from rig.errors import InputError, StorageError
from rig.protocol.estimate import estimate
from rig.record.journal import JOURNAL

if TYPE_CHECKING:
    from rig.commands.resume import Asked

LEAST: Final = 4_000_000
"""Bytes that going on needs at least."""


def go_on(found: LookBack, asked: Asked, doubt: str) -> int:
    """Say what happened and what comes, then go on; return the code. Raises RigError.

    `doubt` is what makes the end of the record doubtful, "" for nothing.
    """
    out, now = found.folder, SystemClock().utc()
    if found.rehearsal and (asked.detach or asked.on_call or asked.rig):
        raise InputError(
            f"{out}: is a rehearsal; --rig, --detach and --on-call are for tests in real time"
        )
    if found.rehearsal and asked.accept:
        raise InputError(f"{out}: is a rehearsal; --accept is for a real rig")
    rig = find_rig(asked.rig) if asked.rig else ""
    if rig:
        found = found.on_rig(rig, Path(rig).read_text(encoding="utf-8-sig"))
    plan = found.plan
    found.refuse_unreadable()
    if doubt and not found.cycles:
        raise StorageError(
            f"{out}: {doubt}; nothing was moved: what it had recorded may lie in the part that is "
            "missing; look for a backup, or close the record with --end"
        )
    refuse_full(out, bytes_left(found))
    find_driver(plan.rig.driver)
    specimen = kept(out, found.header.texts) if found.rehearsal else None
    gone = ALONE if found.rehearsal else found.gone_for(now)[0]
    for line in account(found, gone, asked.mended, doubt, now):
        say(folded(line, sys.stderr), err=True)
    why = "; ".join(
        filter(None, (happened(found), doubt, asked.mended and f"mended: {asked.mended}"))
    )
    before = found.status.stamp if found.status else ""
    if found.rehearsal:
        shown = Shown(ascii_only=asked.ascii_only, hint=STOPS)
        carry_out = partial(go_on_rehearsing, found, why, specimen=specimen)
        result = beside_screen(carry_out, out, shown, before)
        return say_rehearsed(plan.title, result, out, shown, as_json=asked.as_json)
    attended = "attended" if sys.stdin.isatty() else "unattended"
    seed = str(found.header.seed or 0)
    place = str(out.absolute())
    order = [
        "",
        str(Path(rig).absolute()) if rig else "",
        place,
        seed,
        attended,
        asked.on_call or "",
        "go on",
        why,
        asked.accept or "",
    ]
    followed = start(plan, order, out, asked.on_call, asked.shown, before)
    return followed.say(asked.shown, as_json=asked.as_json)


def bytes_left(found: LookBack) -> float:
    """Return what going on may need on the disk [bytes]: its share of the test, and run.h5."""
    plan = found.plan
    share = 1.0
    if plan.cyclic is not None:
        share = max(1.0 - found.cycles / plan.cyclic.run_out, 0.0)
    # run.h5 is made of all that lies in the journal, and about as large.
    journal = os.path.getsize(found.folder / JOURNAL)
    return share * estimate(plan).storage_bytes + journal + LEAST
