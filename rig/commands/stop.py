"""`nightrig stop`: unloads and ends a live test."""

from __future__ import annotations

import click

from rig.commands.asking import by_option, request, why_option
from rig.commands.options import REQUEST_CODES


@click.command(epilog=REQUEST_CODES)
@click.argument("folder", metavar="[DIR]", required=False)
@why_option
@by_option
def stop(folder: str | None, why: str, by: str | None, as_json: bool) -> int:
    """Unload the specimen of run DIR and end its test; the outcome is `operator`.

    In an emergency use the emergency stop at the rig: this command is no safety function.

    Example: nightrig stop night-1 --by "A. Name"
    """
    return request(folder, by, as_json, ask="stop", text=why)
