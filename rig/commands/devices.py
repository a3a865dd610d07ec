"""`nightrig devices`: who answers on a rig's lines, what they say, and what is missing."""

from __future__ import annotations

import asyncio
import math
import sys
from collections.abc import Mapping, Sequence
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
    "  2  the rig file or its driver cannot be used, or a test has the rig\n"
    "  5  not confirmed, or broken off"
)
_EMULATION: Final = ("protocol", "seed", "ports", "out", "truth", "trouble")
"""What only an emulation is given."""
_PROOF: Final = ("repeats", "speed", "up-to", "keep")
"""What only a proof of stopping is given."""


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
@click.option(
    "--panel",
    metavar="SOCKET",
    type=click.Path(path_type=Path),
    help="With --emulate: a socket at which its inputs are operated; with --prove-stops: that one.",
)
@click.option(
    "--prove-stops",
    "proves",
    is_flag=True,
    help="MOVES THE ROD on a dummy beam: trips each limit, input and watchdog, and measures how "
    "quickly it stands still. After the checklist, by name, with horn and local input.",
)
@click.option(
    "--repeats", metavar="N", type=click.IntRange(1, 100), help="With --prove-stops: of each; 1."
)
@click.option(
    "--speed",
    metavar="V",
    help='With --prove-stops: of the rod at most, "0.5 mm/s"; slower on a stiff beam.',
)
@click.option(
    "--up-to",
    metavar="LOAD",
    help="With --prove-stops: what the dummy beam carries; 20 % of the actuator's load.",
)
@click.option(
    "--keep",
    is_flag=True,
    help="With --prove-stops: keep the proof in the rig file without asking.",
)
@click.option("--shunt", metavar="CHANNEL", help="Switch its shunt resistor on, and compare.")
@click.option(
    "--verification",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Compare load and strain of a run with a gauged dummy beam; keep it in the rig file.",
)
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
    panel: Path | None,
    proves: bool,
    repeats: int | None,
    speed: str | None,
    up_to: str | None,
    keep: bool,
    shunt: str | None,
    verification: Path | None,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Look at every device of a rig: who answers, live values, and what to try where one does not.

    Only questions go out: nothing moves, no limit, watchdog or output is written, unless an
    option says so. --try and --shunt switch something for a moment, never the actuator or the
    pressure. --prove-stops alone moves the rod. A rig on which a test runs is left alone. Software
    is no safety system: it replaces no guard and no emergency stop.

    Example: nightrig devices --rig my-frame.toml
    """
    given = (protocol, seed, ports, out, truth, trouble)
    doing = {
        "--emulate": emulates,
        "--try": what is not None,
        "--prove-stops": proves,
        "--shunt": shunt is not None,
        "--verification": verification is not None,
    }
    _refuse_several(doing, as_json=as_json)
    if emulates:
        _refuse_given(_PROOF, (repeats, speed, up_to, keep or None), "--prove-stops")
        from rig.commands.emulate import emulate

        return emulate(
            protocol or "",
            rig_name or "",
            1 if seed is None else seed,
            ports,
            out,
            truth,
            trouble or "",
            panel,
        )
    _refuse_given(_EMULATION, given, "--emulate")
    if not proves:
        _refuse_given(_PROOF, (repeats, speed, up_to, keep or None), "--prove-stops")
        _refuse_given(("panel",), (panel,), "--emulate or --prove-stops")
    try:
        if verification is not None:
            from rig.commands.verification import keep_verification

            return keep_verification(rig_name, verification, as_json)
        plan = load_rig_alone(rig_name)
        if what is not None:
            return _try(plan, what, as_json=as_json)
        if shunt is not None:
            from rig.commands.shunt import try_shunt

            return try_shunt(plan, shunt, as_json)
        if proves:
            from rig.commands.prove_stops import Asked, prove_stops

            pace, load = _quantity("speed", speed, "speed"), _quantity("up-to", up_to, "force")
            asked = Asked(repeats or 1, pace, load, panel, keep, rig_name)
            return prove_stops(plan, asked, as_json=as_json)
        return _look(plan, seconds, ascii_only=ascii_only, as_json=as_json)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise


def _refuse_several(doing: Mapping[str, bool], *, as_json: bool) -> None:
    """Refuse two things that are not done together."""
    wanted = [option for option, is_wanted in doing.items() if is_wanted]
    if wanted[:1] == ["--emulate"] and as_json and len(wanted) == 1:
        wanted.append("--json")
    if len(wanted) > 1:
        raise click.UsageError(f"{wanted[0]} goes without {wanted[1]}")


def _refuse_given(names: Sequence[str], values: Sequence[object], option: str) -> None:
    """Refuse what only goes with another option."""
    for name, value in zip(names, values, strict=True):
        if value is not None:
            word = "PROTOCOL" if name == "protocol" else f"--{name}"
            raise click.UsageError(f"{word} goes with {option}")


def _quantity(option: str, text: str | None, dimension: str) -> float | None:
    """Return an option's quantity [SI], None where it is not given. Raises UsageError."""
    if text is None:
        return None
    # Imported late: units are for the few who give some.
    from rig.units import UnitError, parse

    try:
        return parse(text, dimension)
    except UnitError as error:
        raise click.UsageError(f"--{option}: {error}") from None


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
