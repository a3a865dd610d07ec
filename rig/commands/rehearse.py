"""`nightrig rehearse`: a whole test on the simulated rig, in virtual time."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.files import load
from rig.errors import EXIT_CODES, InputError, StorageError
from rig.protocol.estimate import estimate

if TYPE_CHECKING:
    from rig.assembly import Result
    from rig.protocol.plan import Plan


@click.command()
@click.argument("protocol")
@click.option("--rig", "rig_name", help="Rig file; without it the packaged simulated rig.")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="New folder.")
@click.option("--seed", required=True, type=click.IntRange(0), help="Same seed, same test.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output.")
def rehearse(protocol: str, rig_name: str | None, out: Path, seed: int, as_json: bool) -> int:
    """Carry PROTOCOL out on the simulated rig, in virtual time at full sample rate.

    The same seed gives the same test, bit for bit. Ends with 0 for failure, run-out or
    ultimate, 3 for a limit, 4 for a fault, 5 when stopped, 6 for storage.

    Example: nightrig rehearse protocols/overnight-wet-prism.toml --out night-1 --seed 1
    """
    try:
        plan = load(protocol, rig_name)
        ready(plan, out)
    except InputError as error:
        if as_json:
            problems = [asdict(p) for p in error.problems]
            click.echo(json.dumps({"outcome": None, "why": str(error), "problems": problems}))
        raise
    result = rehearse_with_progress(plan, out, seed)
    try:
        if as_json:
            click.echo(json.dumps(asdict(result), default=str, allow_nan=False))
        else:
            click.echo(summary(plan, result))
    except OSError:
        # Nobody reads any more: the record is complete, the code still tells the outcome.
        sys.stdout = None
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


def rehearse_with_progress(plan: Plan, out: Path, seed: int) -> Result:
    """Rehearse with a progress line on standard error; times [s]."""
    from rig import assembly
    from rig.commands.progress import ProgressLine

    line = ProgressLine(plan.specimen_id)
    try:
        return assembly.rehearse(plan, out, seed, line)
    finally:
        line.done()


def summary(plan: Plan, result: Result) -> str:
    """Return what a person wants to know of the end, in a few lines."""
    from rig.commands.progress import duration

    return "\n".join(
        (
            f"{plan.title}",
            f"  outcome   {result.outcome}: {result.why}",
            f"  cycles    {result.cycles:,}",
            f"  took      {duration(result.test_s)} of test, {result.real_s:.1f} s here",
            f"  record    {result.run}",
        )
    )
