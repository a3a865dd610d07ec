"""`nightrig pause`: lets a live test stand still."""

from __future__ import annotations

import click

from rig.commands.asking import by_option, request, why_option
from rig.commands.asking_afar import AFAR_CODES, afar_options, elsewhere, request_afar


@click.command(epilog=AFAR_CODES)
@click.argument("folder", metavar="[DIR]", required=False)
@afar_options
@why_option
@by_option
def pause(
    folder: str | None,
    lab: str | None,
    rig: str | None,
    why: str,
    by: str | None,
    as_json: bool,
) -> int:
    """Let the test of run DIR stand still, power kept (stop category 2).

    Cycling goes to the lower load first; a slow stage stands where it is. After the protocol's
    wait the specimen is unloaded. Stay outside the guards: the rig holds load and power.

    From elsewhere: --lab FILE --on RIG, where the rig file allows it.

    Example: nightrig pause night-1 --by "A. Name"
    """
    if there := elsewhere(folder, lab, rig):
        return request_afar(*there, by, as_json, ask="pause", text=why)
    return request(folder, by, as_json, ask="pause", text=why)
