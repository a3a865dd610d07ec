"""`nightrig handover`: what happened since somebody last looked, on one page."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rig.commands.options import ascii_option, json_option
from rig.commands.saying import height_of, say, say_json, say_refusal, width_of
from rig.commands.watch import run_folder
from rig.errors import RigError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rig.monitor.call import Call

WIDTH: Final = 80
"""Letters of a line where there is no terminal."""
HEIGHT: Final = 40
"""Lines of the page where there is no terminal."""
_CODES: Final = (
    "\b\n"
    "Ends with\n"
    "  0  done, however the test stands\n"
    "  2  no such run, or no such moment\n"
    "  6  nothing of its record can be read"
)
_COLOURS: Final = (("white", "green"), ("black", "yellow"), ("white", "red"), ("white", "blue"))
"""Letters and ground of the verdict, by its level, as on the screen."""
_LOUD: Final = ("white", "red")


@click.command(epilog=_CODES)
@click.argument("folder", metavar="[DIR]", required=False)
@click.option(
    "--since",
    metavar="WHEN",
    help='From when on, such as "18:00", "yesterday 18:00", "Monday 07:00", "2026-11-29 18:00", '
    '"2 h ago", "cycle 100000", "start". Without it since people were last at it, else a day.',
)
@click.option("--until", metavar="WHEN", help="Up to when, in the same words; without it now.")
@click.option("--all", "whole", is_flag=True, help="Leave nothing out, however long it gets.")
@ascii_option
@json_option
def handover(
    folder: str | None,
    since: str | None,
    until: str | None,
    whole: bool,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Say what happened to the run in DIR since somebody last looked, and what it needs now.

    Clock times are those of the zone in the protocol's [hours], else of this computer; in a
    rehearsal those of its own calendar. Works for runs that live, have ended or were cut off, and
    for imports. Looking changes nothing. Without DIR the one live run.

    Example: nightrig handover night-1 --since "yesterday 18:00"
    """
    try:
        out = run_folder(folder)
        return told(out, since, until, whole=whole, ascii_only=ascii_only, as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def told(
    out: Path, since: str | None, until: str | None, *, whole: bool, ascii_only: bool, as_json: bool
) -> int:
    """Print the handover of a run; return the code."""
    # No package that happens to be installed may have a say in reading files, nor cost a look.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from rig.commands.screen import Shown
    from rig.control.lock import folder_holder, other_user
    from rig.monitor.glyphs import glyphs
    from rig.monitor.paint import can_paint
    from rig.report.handover.page import page
    from rig.report.handover.plain import plain
    from rig.report.handover.telling import hand_over

    found = hand_over(
        out,
        lambda: folder_holder(out) is not None,
        since,
        until,
        another=lambda rig: other_user(rig, out),
    )
    if as_json:
        say_json(plain(found))
        return 0
    signs = glyphs(ascii_only=Shown(ascii_only=ascii_only, stream=sys.stdout).plain)
    width = width_of(sys.stdout) or WIDTH
    height = None if whole else (height_of(sys.stdout) or HEIGHT + 1) - 1
    colours = can_paint(sys.stdout) and not os.environ.get("NO_COLOR")
    lines = page(found, width, height, signs)
    say("\n".join(_coloured(lines, found.call) if colours else lines))
    return 0


def _coloured(lines: list[str], call: Call) -> Iterator[str]:
    """Yield the lines of a page with the verdict and the labels in colour."""
    from rig.monitor.rows import LABEL

    letters, ground = _LOUD if call.loud else _COLOURS[call.level]
    begin = next(i for i, line in enumerate(lines) if line.startswith("since "))
    for place, line in enumerate(lines):
        if place >= begin:
            yield click.style(line[:LABEL], fg="cyan", bold=True) + line[LABEL:]
        elif place:
            yield click.style(line, fg=letters, bg=ground, bold=True)
        else:
            yield click.style(line, bold=True)
