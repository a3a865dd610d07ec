"""`nightrig unload`: unloads a live test that can go on later."""

from __future__ import annotations

import click

from rig.commands.asking import by_option, request, why_option
from rig.commands.options import REQUEST_CODES


@click.command(epilog=REQUEST_CODES)
@click.argument("folder", metavar="[DIR]", required=False)
@why_option
@by_option
def unload(folder: str | None, why: str, by: str | None, as_json: bool) -> int:
    """Unload the specimen of run DIR, retract, then pressure off; `continue` takes it up again.

    On a real rig somebody at the rig must also use its button or key.

    Example: nightrig unload night-1 --by "A. Name"
    """
    return request(folder, by, as_json, ask="unload", text=why)
