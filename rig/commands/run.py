"""`nightrig run`: starts a test in real time, and follows it until somebody leaves."""

from __future__ import annotations

import contextlib
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.files import find_protocol, find_rig, load
from rig.commands.rehearse import ready, summary
from rig.errors import NotBegun, RigError

if TYPE_CHECKING:
    from rig.commands.follow import Followed
    from rig.protocol.plan import Plan


@click.command()
@click.argument("protocol")
@click.option("--rig", "rig_name", help="Rig file; without it the packaged simulated rig.")
@click.option("--out", required=True, type=click.Path(path_type=Path), help="New folder.")
@click.option("--seed", default=1, type=click.IntRange(0), help="Of a simulated rig.")
@click.option("--on-call", metavar='"NAME, PHONE"', help="Who is called; asked for if needed.")
@click.option("--detach", is_flag=True, help="Return once the test has begun.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on standard output.")
def run(
    protocol: str,
    rig_name: str | None,
    out: Path,
    seed: int,
    on_call: str | None,
    detach: bool,
    as_json: bool,
) -> int:
    """Carry PROTOCOL out on a rig in real time, in a process of its own.

    Ctrl-C or closing the terminal leaves the test running and ends with 0; `nightrig stop` ends
    the test. A rig that is not emulated asks for the checklist on the terminal first. Ends with
    the test: 0 for failure, run-out or ultimate, 3 for a limit, 4 for a fault, 5 when stopped,
    6 for storage. Software is no safety system: it replaces no guard and no emergency stop.

    Example: nightrig run protocols/first-night.toml --out night-1 --rig rigs/frame-2.toml
    """
    try:
        plan = load(protocol, rig_name)
        may_start(plan, out)
        attended = "attended" if sys.stdin.isatty() else "unattended"
        files = [find_protocol(protocol), find_rig(rig_name)]
        order = [*files, str(out.absolute()), str(seed), attended]
        followed = start(plan, order, out, on_call, detach=detach)
    except RigError as error:
        if as_json:
            problems = [asdict(p) for p in getattr(error, "problems", ())]
            say_json({"outcome": None, "why": str(error), "problems": problems})
        raise
    say(plan, followed, as_json=as_json)
    return followed.code


def say_json(told: dict[str, object]) -> None:
    """Print one object; where nobody can read it the code still tells how it went."""
    try:
        click.echo(json.dumps(told))
    except OSError:
        sys.stdout = None


def may_start(plan: Plan, out: Path) -> None:
    """Refuse, before anything is started, what the runner would refuse as well."""
    from rig.assembly.devices import find_driver

    ready(plan, out)
    find_driver(plan.rig.driver)


def start(
    plan: Plan, order: list[str], out: Path, on_call: str | None, *, detach: bool
) -> Followed:
    """Start the runner, have the checklist confirmed, follow the test."""
    from rig.assembly.start import end_early, guarding, start_runner, wait_ready
    from rig.commands.follow import Leaving, follow, pass_checklist

    guard = guarding()
    for warning in (*plan.warnings, *guard.warnings):
        click.echo(f"warning: {warning}", err=True)
    with Leaving() as leaving:
        process = start_runner(order, guard.prefix)
        try:
            with leaving.breaks_off():
                wait_ready(process)
        except KeyboardInterrupt:
            end_early(process)
            raise NotBegun("left before the test began; nothing was moved") from None
        pass_checklist(process, out, on_call, leaving)
        if not detach:
            # A terminal that is gone is told by its signal.
            with contextlib.suppress(OSError):
                click.echo(f"{plan.title}: begins; Ctrl-C leaves it running", err=True)
        return follow(plan, process, out, leaving, detach=detach)


def say(plan: Plan, followed: Followed, *, as_json: bool) -> None:
    """Print how the test ended, or that it goes on; nobody may be there to read it."""
    result = followed.result
    try:
        if result is None:
            click.echo(followed.text, err=as_json)
            if as_json:
                click.echo(json.dumps({"outcome": None, "running": True}))
        elif as_json:
            click.echo(json.dumps(asdict(result), default=str, allow_nan=False))
        else:
            click.echo(summary(plan, result))
    except OSError:
        # The terminal is gone: the record is complete, the code still tells the outcome.
        sys.stdout = sys.stderr = None
