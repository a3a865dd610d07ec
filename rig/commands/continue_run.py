"""`nightrig continue`: lets a test that stands still go on."""

from __future__ import annotations

import click

from rig.commands.asking import by_option, request, why_option
from rig.commands.options import REQUEST_CODES


@click.command("continue", epilog=REQUEST_CODES)
@click.argument("folder", metavar="[DIR]", required=False)
@why_option
@by_option
def continue_run(folder: str | None, why: str, by: str | None, as_json: bool) -> int:
    """Let the test of run DIR go on after a pause, an unloading or an inspection.

    On a real rig somebody at the rig must also use its button or key: what moves the rig is
    never started from afar alone. The horn or lamp warns before motion.

    Example: nightrig continue night-1 --by "A. Name"
    """
    return request(folder, by, as_json, ask="continue", text=why)
