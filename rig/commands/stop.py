"""`nightrig stop`: unloads and ends a live test."""

from __future__ import annotations

import click

from rig.commands.asking import by_option, request, why_option


@click.command()
@click.argument("folder", metavar="[DIR]", required=False)
@why_option
@by_option
def stop(folder: str | None, why: str, by: str | None, as_json: bool) -> int:
    """Unload the specimen of run DIR and end its test; the outcome is `operator`.

    In an emergency use the emergency stop at the rig: this command is no safety function.

    Without DIR the one live run is asked. Ends with 0 when it was done and recorded, 2 when it
    was refused or there is no such run, 6 when it was done and could not be recorded.

    Example: nightrig stop night-1 --by "A. Name"
    """
    return request(folder, by, as_json, ask="stop", text=why)
