"""`nightrig pause`: lets a live test stand still."""

from __future__ import annotations

import click

from rig.commands.asking import by_option, request, why_option


@click.command()
@click.argument("folder", metavar="[DIR]", required=False)
@why_option
@by_option
def pause(folder: str | None, why: str, by: str | None, as_json: bool) -> int:
    """Let the test of run DIR stand still, power kept (stop category 2).

    Cycling goes to the lower load first; a slow stage stands where it is. After the protocol's
    wait the specimen is unloaded. Stay out of the guards: the rig holds load and power.

    Without DIR the one live run is asked. Ends with 0 when it was done and recorded, 2 when it
    was refused or there is no such run, 6 when it was done and could not be recorded.

    Example: nightrig pause night-1 --by "A. Name"
    """
    return request(folder, by, as_json, ask="pause", text=why)
