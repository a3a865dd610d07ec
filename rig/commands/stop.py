"""`nightrig stop`: unloads and ends a live test."""

from __future__ import annotations

import click

from rig.commands.asking import by_option, request, why_option
from rig.commands.asking_afar import AFAR_CODES, afar_options, elsewhere, request_afar


@click.command(epilog=AFAR_CODES)
@click.argument("folder", metavar="[DIR]", required=False)
@afar_options
@why_option
@by_option
def stop(
    folder: str | None,
    lab: str | None,
    rig: str | None,
    why: str,
    by: str | None,
    as_json: bool,
) -> int:
    """Unload the specimen of run DIR and end its test; the outcome is `operator`.

    In an emergency use the emergency stop at the rig: this command is no safety function, and
    less so from elsewhere (--lab FILE --on RIG, where the rig file allows it).

    Example: nightrig stop night-1 --by "A. Name"
    """
    if there := elsewhere(folder, lab, rig):
        return request_afar(*there, by, as_json, ask="stop", text=why)
    return request(folder, by, as_json, ask="stop", text=why)
