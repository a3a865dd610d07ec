"""`nightrig devices`: who answers on a rig's lines, what they say, and what is missing."""

from __future__ import annotations

import asyncio
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rig.channels import shown
from rig.commands.options import ascii_option, json_option, rig_option
from rig.commands.rig_alone import load_rig_alone
from rig.commands.saying import folded, meanwhile, say, say_json, say_refusal
from rig.errors import DeviceError, RigError

if TYPE_CHECKING:
    from rig.assembly.survey import Missing
    from rig.assembly.trying import Tried, What
    from rig.clock import Clock
    from rig.protocol.plan import Plan

CODES: Final = (
    "\b\n"
    "Ends with\n"
    "  0  all is there\n"
    "  4  something is missing or in doubt: what it is, and what to try\n"
    "  2  the rig file or its driver cannot be used, or a test has the rig"
)
_EMULATION: Final = ("protocol", "seed", "ports", "out", "truth", "trouble")
"""What only an emulation is given."""


@click.command(epilog=CODES)
@click.argument("protocol", metavar="[PROTOCOL]", required=False)
@rig_option
@click.option(
    "--seconds",
    default=3.0,
    metavar="S",
    type=click.FloatRange(0.5, 3600.0),
    help="How long it looks; 3 without it. Drift of clocks shows from some 12 s on.",
)
@click.option(
    "--try",
    "what",
    metavar="pump|horn",
    type=click.Choice(["pump", "horn"]),
    help="Switch it on for 2 s, after a caution, your name and a typed word.",
)
@click.option(
    "--emulate",
    "emulates",
    is_flag=True,
    help="Start a simulated rig behind pseudo-terminals, with the specimen of PROTOCOL, "
    "until Ctrl-C; prints the rig file for it.",
)
@click.option("--seed", metavar="N", type=click.IntRange(0), help="With --emulate: its seed; 1.")
@click.option(
    "--ports",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="With --emulate: folder for its ports; a fresh one without it.",
)
@click.option(
    "--out",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="With --emulate: write the rig file there.",
)
@click.option(
    "--truth",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="With --emulate: write what really happens there, a JSON object a line.",
)
@click.option("--trouble", metavar="NAME", help="With --emulate: a script of line faults.")
@ascii_option
@json_option
def devices(
    protocol: str | None,
    rig_name: str | None,
    seconds: float,
    what: What | None,
    emulates: bool,
    seed: int | None,
    ports: Path | None,
    out: Path | None,
    truth: Path | None,
    trouble: str | None,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Look at every device of a rig: who answers, live values, and what to try where one does not.

    Only questions go out. Nothing moves; no limit, watchdog or output is written. A rig on which
    a test runs is left alone. --try switches the pump or the horn for a moment, never the
    actuator or the pressure. Software is no safety system: it replaces no guard and no
    emergency stop.

    Example: nightrig devices --rig my-frame.toml
    """
    given = (protocol, seed, ports, out, truth, trouble)
    if emulates:
        if what is not None or as_json:
            raise click.UsageError(f"--emulate goes without {'--try' if what else '--json'}")
        from rig.commands.emulate import emulate

        return emulate(
            protocol or "",
            rig_name or "",
            1 if seed is None else seed,
            ports,
            out,
            truth,
            trouble or "",
        )
    for name, value in zip(_EMULATION, given, strict=True):
        if value is not None:
            word = "PROTOCOL" if name == "protocol" else f"--{name}"
            raise click.UsageError(f"{word} goes with --emulate")
    try:
        plan = load_rig_alone(rig_name)
        if what is not None:
            return _try(plan, what, as_json=as_json)
        return _look(plan, seconds, ascii_only=ascii_only, as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def _look(plan: Plan, seconds: float, *, ascii_only: bool, as_json: bool) -> int:
    # Imported late: a mistake in the rig file is told sooner.
    from rig.assembly.survey import held, missing, survey
    from rig.clock import SystemClock
    from rig.commands.devices_json import look_object
    from rig.commands.found_devices import in_words

    clock = SystemClock()
    asking = f"asking its devices for {seconds:g} s"
    with held(plan.rig, clock), meanwhile(plan.rig.name, asking):
        found = asyncio.run(survey(plan, clock, seconds))
    lacks = missing(found, plan.rig)
    if as_json:
        say_json(look_object(plan.rig, found, lacks))
    else:
        say(in_words(plan.rig, found, lacks, sys.stdout, ascii_only=ascii_only))
    return _code(lacks)


def _tried(plan: Plan, done: Tried) -> str:
    """Return what was switched and what was measured, in words."""
    was = f"{done.what} of {plan.rig.name}: on for {done.seconds:g} s, and off again"
    if done.what == "horn":
        return f"{was}; did it sound, or light up?"
    if not done.ran:
        return f"{was}; it never said that it ran; look at its supply and at what switches it"
    if math.isnan(done.flow):
        return f"{was}; nothing measures its flow: did water come?"
    wanted = plan.rig.pump.flow if plan.rig.pump is not None else math.nan
    slow = "" if done.flow > wanted / 2 else "; it may need longer than that to run up"
    said = f"the rig file says {shown('flow', wanted, digits=3)}"
    return f"{was}; flow up to {shown('flow', done.flow, digits=3)}, {said}{slow}"


def _code(lacks: tuple[Missing, ...]) -> int:
    return DeviceError.exit_code if lacks else 0


def _try(plan: Plan, what: What, *, as_json: bool) -> int:
    from rig.assembly.survey import held
    from rig.assembly.trying import answers_emulated, refuse_unknown, tried
    from rig.clock import SystemClock
    from rig.commands.consent import consent
    from rig.commands.devices_json import try_object

    clock: Clock = SystemClock()
    refuse_unknown(plan.rig, what)
    with held(plan.rig, clock):
        who = consent(what, emulated=asyncio.run(answers_emulated(plan, clock)))
        done = asyncio.run(tried(plan, what, clock))
    if as_json:
        say_json(try_object(plan.rig, done, who))
    else:
        say(folded(_tried(plan, done), sys.stdout))
    return 0 if done.ran else DeviceError.exit_code
