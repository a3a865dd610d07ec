"""Options and words that several commands share, so that each is said once and alike."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import click

rig_option = click.option(
    "--rig", "rig_name", metavar="RIG", help="Rig file; without it the packaged simulated rig."
)
out_option = click.option(
    "--out", required=True, metavar="DIR", type=click.Path(path_type=Path), help="New folder."
)
accept_option = click.option(
    "--accept",
    metavar="NAME",
    help="Who takes on a real rig whose calibrations are missing or have expired.",
)
ascii_option = click.option(
    "--ascii", "ascii_only", is_flag=True, help="Draw the screen in plain letters."
)


def _json(more: str = "") -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    said = f"Print one JSON object, for scripts{more}."
    return click.option("--json", "as_json", is_flag=True, help=said)


json_option = _json()
json_of_watch = _json(": the result at the end; with --once the present state")

# The backspace keeps click from running the lines together.
RUN_CODES: Final = (
    "\b\n"
    "Ends with the test:\n"
    "  0  failure, run-out or ultimate: as the protocol foresees\n"
    "  3  a limit    4  a fault    5  stopped by somebody\n"
    "  6  the record cannot be kept, or is damaged\n"
    "  2  nothing was started    1  a defect of this program"
)
REQUEST_CODES: Final = (
    "\b\n"
    "Without DIR the one live run is asked. Ends with\n"
    "  0  done and recorded\n"
    "  2  refused, or no such run: nothing was done\n"
    "  6  done, but it could not be recorded"
)
