"""`nightrig watch`: shows a run from its record; whatever becomes of it, the test goes on."""

from __future__ import annotations

import math
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands.options import RUN_CODES, ascii_option, json_of_watch
from rig.commands.saying import residual_json, say, say_json, say_refusal
from rig.commands.screen import Shown, follower, show_run, text_of
from rig.commands.watch_page import PageAsked, page_options, refuse_page, show_page
from rig.errors import InputError, RigError, StorageError

if TYPE_CHECKING:
    from rig.monitor.view import View


@click.command(epilog=RUN_CODES)
@click.argument("folder", metavar="[DIR]", required=False)
@click.option("--once", is_flag=True, help="Print the screen once, as text; the code is 0.")
@click.option("--lab", metavar="LAB", help="Show every rig of a lab file's broker instead.")
@page_options
@ascii_option
@json_of_watch
def watch(
    folder: str | None,
    once: bool,
    lab: str | None,
    page: PageAsked | None,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Show the run in DIR: live, rehearsed, or ended. Looking cannot disturb the test.

    Ctrl-C or closing the terminal ends the looking only: the test goes on, the code is 0. When
    the test ends, so does this, with its code; 1 also where the program that carried it out is
    gone without an end. With --once the code is 0 however the test stands. Without DIR the one
    live run is shown. Without a terminal plain lines come instead of the screen.

    Example: nightrig watch night-1
    """
    shown = Shown(ascii_only=ascii_only, stream=sys.stderr if as_json else sys.stdout)
    try:
        if page is not None:
            refuse_page(page, once=once, lab=lab)
        if lab is not None:
            # Imported late: it takes a client for messages.
            from rig.commands.watch_lab import watch_lab

            return watch_lab(lab, folder, shown, once=once, as_json=as_json)
        out = run_folder(folder)
        if page is not None:
            show_page(out, page, as_json=as_json)
            return told_end(out, None, as_json=as_json)
        if once:
            say_once(out, shown, as_json=as_json)
            return 0
        return watched(out, shown, as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def run_folder(folder: str | None) -> Path:
    """Return the folder of the run that is meant. Raises InputError where there is none."""
    from rig.commands.folders import place

    if folder is None:
        from rig.commands.asking import only_run

        live = only_run("watch", "name a folder: of a run, live or ended, or of a rehearsal")
        return Path(live.folder)
    found = place(Path(folder))
    if found.kind == "none":
        raise InputError(found.text)
    return Path(folder)


def watched(out: Path, shown: Shown, *, as_json: bool) -> int:
    """Show a run until it ends or the person leaves; return the code."""
    from rig.commands.folders import place
    from rig.commands.leaving import Leaving
    from rig.control.lock import folder_holder

    if place(out).kind in ("live", "rehearsal"):
        with Leaving() as leaving:
            waits = show_run(out, leaving.is_asked, leaving.pause, shown)
            # With its end written the record is still being closed; and where nothing more can be
            # written, whoever looks may still wait for the code.
            while waits and folder_holder(out) is not None and not leaving.asked:
                leaving.pause()
    return told_end(out, shown, as_json=as_json)


def told_end(out: Path, shown: Shown | None, *, as_json: bool) -> int:
    """Print how a run that somebody has looked at stands or has ended; return the code."""
    from rig.commands.folders import place
    from rig.commands.follow import Followed, ended

    found = place(out)
    if found.kind in ("live", "rehearsal"):
        followed = Followed(out, rehearsal=found.kind == "rehearsal")
    elif found.kind == "gone":
        followed = Followed(out, problem=RigError(found.text))
    elif found.kind in ("none", "damaged"):
        raise StorageError(f"{found.text}; the record cannot be read")
    else:
        followed = ended(out)
    return followed.say(shown, as_json=as_json)


def say_once(out: Path, shown: Shown, *, as_json: bool) -> None:
    """Print a run as it stands: one screen as text, or one object. Raises StorageError."""
    view = follower(out).look()
    if as_json:
        say_json(present(view))
    else:
        say(text_of(view, shown))


def present(view: View) -> dict[str, Any]:
    """Return a view as plain values [SI], None where nothing is known."""
    known = {
        "folder": str(view.folder.resolve()),
        "title": view.header.title,
        "specimen_id": view.header.specimen_id,
        "running": view.ending is None and view.alive,
        "outcome": (view.ending.outcome or None) if view.ending else None,
        "residual": residual_json(view.ending.residual) if view.ending else None,
    }
    return {**known, **_plain(asdict(view.status))}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
