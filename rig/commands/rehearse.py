"""`nightrig rehearse`: a whole test on the simulated rig, in virtual time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.files import load
from rig.commands.saying import say_refusal, say_result
from rig.commands.screen import STOPS, Shown
from rig.errors import EXIT_CODES, RigError, StorageError
from rig.protocol.estimate import estimate

if TYPE_CHECKING:
    from rig.protocol.plan import Plan


@click.command()
@click.argument("protocol")
@click.option("--rig", "rig_name", help="Rig file; without it the packaged simulated rig.")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="New folder.")
@click.option("--seed", required=True, type=click.IntRange(0), help="Same seed, same test.")
@click.option("--ascii", "ascii_only", is_flag=True, help="Draw the screen in plain letters.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output.")
def rehearse(
    protocol: str, rig_name: str | None, out: Path, seed: int, ascii_only: bool, as_json: bool
) -> int:
    """Carry PROTOCOL out on the simulated rig, in virtual time at full sample rate.

    On a terminal the screen of `nightrig watch` shows it, with its speed. Ctrl-C asks for the
    normal stop. The same seed gives the same test, bit for bit. Ends with 0 for failure, run-out
    or ultimate, 3 for a limit, 4 for a fault, 5 when stopped, 6 for storage.

    Example: nightrig rehearse protocols/overnight-wet-prism.toml --out night-1 --seed 1
    """
    try:
        plan = load(protocol, rig_name)
        ready(plan, out)
        # Imported late: a mistake in a file is told sooner.
        from rig.commands.beside import rehearse_beside_screen

        shown = Shown(ascii_only=ascii_only, hint=STOPS)
        result = rehearse_beside_screen(plan, out, seed, shown)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise
    # Nobody may read any more: the record is complete, the code still tells the outcome.
    say_result(plan.title, result, as_json=as_json)
    return EXIT_CODES[result.outcome]


def ready(plan: Plan, out: Path) -> None:
    """Refuse an existing folder and a disk too small, before anything is written."""
    from rig.control.lock import refuse_taken
    from rig.record.trouble import free_bytes

    refuse_taken(out)
    need, free = estimate(plan).storage_bytes, free_bytes(out)
    if need > free:
        raise StorageError(
            f"{out}: the test may need {need / 1e6:.0f} MB, {free / 1e6:.0f} MB are free; "
            "nothing was started; make room or name another disk"
        )
