"""`nightrig run`: starts a test in real time, and follows it until somebody leaves."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.files import find_protocol, find_rig, load
from rig.commands.options import (
    RUN_CODES,
    accept_option,
    ascii_option,
    json_option,
    out_option,
    rig_option,
)
from rig.commands.rehearse import ready
from rig.commands.saying import folded, meanwhile, say, say_refusal
from rig.commands.screen import Shown
from rig.errors import NotBegun, RigError

if TYPE_CHECKING:
    from rig.commands.follow import Followed
    from rig.protocol.plan import Plan


@click.command(epilog=RUN_CODES)
@click.argument("protocol")
@rig_option
@out_option
@click.option(
    "--seed",
    default=1,
    metavar="N",
    type=click.IntRange(0),
    help="Of a simulated rig: decides its specimen's life and the noise; 1 without it.",
)
@click.option("--on-call", metavar='"NAME, PHONE"', help="Who is called; asked for if needed.")
@click.option(
    "--air",
    is_flag=True,
    help="The whole protocol in about ten minutes without a specimen: the rod moves 2 mm in "
    "stroke control, behind where it stands.",
)
@accept_option
@click.option("--detach", is_flag=True, help="Return once the test has begun.")
@ascii_option
@json_option
def run(
    protocol: str,
    rig_name: str | None,
    out: Path,
    seed: int,
    on_call: str | None,
    air: bool,
    accept: str | None,
    detach: bool,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Carry PROTOCOL out on a rig in real time, in a process of its own.

    The screen shows it. Ctrl-C or closing the terminal leaves the test running and ends with 0;
    until the test has begun it starts nothing. `nightrig watch` shows it again, `nightrig stop`
    ends it. On a rig that moves something real the checklist is asked for first, on the terminal.
    Software is no safety system: it replaces no guard and no emergency stop.

    Example: nightrig run protocols/first-night.toml --out night-1
    """
    try:
        plan = load(protocol, rig_name, with_lab=True)
        plan = _in_the_air(plan) if air else plan
        may_start(plan, out)
        attended = "attended" if sys.stdin.isatty() else "unattended"
        files = [find_protocol(protocol), find_rig(rig_name)]
        how = "air" if air else "begin"
        order = [*files, str(out.absolute()), str(seed), attended, on_call or "", how, ""]
        order.append(accept or "")
        shown = None if detach else Shown(ascii_only=ascii_only)
        return start(plan, order, out, on_call, shown).say(shown, as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def _in_the_air(plan: Plan) -> Plan:
    """Return the plan of the air run of a test, and say what it is."""
    from rig.protocol.in_the_air import in_the_air, in_words

    plan = in_the_air(plan)
    if plan.air is not None:
        say(folded(in_words(plan.air), sys.stderr), err=True)
    return plan


def may_start(plan: Plan, out: Path) -> None:
    """Refuse, before anything is started, what the runner would refuse as well."""
    from rig.assembly.devices import find_driver

    ready(plan, out)
    find_driver(plan.rig.driver)


def start(
    plan: Plan,
    order: list[str],
    out: Path,
    on_call: str | None,
    shown: Shown | None,
    before: str | None = None,
) -> Followed:
    """Start the runner, have the checklist confirmed, follow the test.

    `before` is the stamp of the last status of a record that goes on, "" where it had none.
    """
    from rig.assembly.start import end_early, guarding, start_runner, wait_ready
    from rig.commands.follow import follow, pass_checklist
    from rig.commands.leaving import Leaving

    if before is None:
        _warn(plan.warnings)
    with Leaving() as leaving:
        with meanwhile(plan.title, "starting; until it has begun Ctrl-C starts nothing"):
            guard = guarding()
            process = start_runner(order, guard.prefix)
            try:
                with leaving.breaks_off():
                    doubts = wait_ready(process)
            except KeyboardInterrupt:
                end_early(process)
                raise NotBegun("left before the test began; nothing was moved") from None
        # Before the checklist: who confirms it should know.
        _warn(doubts)
        pass_checklist(process, out, on_call, leaving)
        # A terminal that is gone is told by its signal.
        begins = "begins" if before is None else "goes on"
        say(f"{plan.title}: {begins}{'; Ctrl-C leaves it running' if shown else ''}", err=True)
        _warn(guard.warnings)
        return follow(process, out, leaving, shown, before)


def _warn(warnings: tuple[str, ...]) -> None:
    for warning in warnings:
        say(folded(f"warning: {warning}", sys.stderr), err=True)
