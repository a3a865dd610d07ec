"""`nightrig rehearse`: a whole test on the simulated rig, in virtual time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.files import load
from rig.commands.options import RUN_CODES, ascii_option, json_option, out_option, rig_option
from rig.commands.saying import say_refusal, say_result, summary
from rig.commands.screen import STOPS, Shown, show_last
from rig.errors import EXIT_CODES, RigError, StorageError
from rig.protocol.estimate import estimate

if TYPE_CHECKING:
    from rig.assembly.result import Result
    from rig.protocol.plan import Plan


@click.command(epilog=RUN_CODES)
@click.argument("protocol")
@rig_option
@out_option
@click.option(
    "--seed",
    required=True,
    metavar="N",
    type=click.IntRange(0),
    help="Number that decides the simulated specimen's life and the noise.",
)
@ascii_option
@json_option
def rehearse(
    protocol: str, rig_name: str | None, out: Path, seed: int, ascii_only: bool, as_json: bool
) -> int:
    """Carry PROTOCOL out on the simulated rig: hours in seconds, sample by sample.

    On a terminal the screen shows it, with its speed. Ctrl-C asks for the normal stop. The same
    seed gives the same test, bit for bit.

    Example: nightrig rehearse protocols/overnight-wet-prism.toml --out night-1 --seed 1
    """
    try:
        plan = load(protocol, rig_name)
        ready(plan, out)
        # Imported late: a mistake in a file is told sooner.
        from rig.assembly import rehearse as carried_out

        shown = Shown(ascii_only=ascii_only, hint=STOPS)
        result = beside_screen(lambda: carried_out(plan, out, seed), out, shown)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise
    return say_rehearsed(plan.title, result, out, shown, as_json=as_json)


def beside_screen(
    carry_out: Callable[[], Result], out: Path, shown: Shown, before: str | None = None
) -> Result:
    """Carry a rehearsal out beside its screen; of one that fails the last screen stays."""
    from rig.commands.beside import rehearse_beside_screen

    try:
        return rehearse_beside_screen(carry_out, out, shown, before)
    except StorageError as error:
        show_last(out, shown, str(error))
        raise


def say_rehearsed(title: str, result: Result, out: Path, shown: Shown, *, as_json: bool) -> int:
    """Print the last screen of a rehearsal, and its result; return the code."""
    # Nobody may read any more: the record is complete, the code still tells the outcome.
    show_last(out, shown, "" if as_json else summary(title, result, out))
    say_result(title, result, out, as_json=as_json)
    return EXIT_CODES[result.outcome]


def ready(plan: Plan, out: Path) -> None:
    """Refuse an existing folder and a disk too small, before anything is written."""
    from rig.control.lock import refuse_taken

    refuse_taken(out)
    refuse_full(out, estimate(plan).storage_bytes)


def refuse_full(out: Path, need: float) -> None:
    """Refuse a disk that has less free than a test may `need` [bytes]."""
    from rig.record.trouble import free_bytes

    free = free_bytes(out)
    if need > free:
        raise StorageError(
            f"{out}: the test may need {need / 1e6:.0f} MB, {free / 1e6:.0f} MB are free; "
            "nothing was started; make room or name another disk"
        )
