"""`nightrig rehearse`: a whole test on the simulated rig, in virtual time."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands.files import find_events, find_protocol, load, read_text
from rig.commands.options import RUN_CODES, ascii_option, json_option, out_option
from rig.commands.saying import folded, say, say_refusal, say_result, summary
from rig.commands.screen import STOPS, Shown, show_last
from rig.errors import EXIT_CODES, RigError, StorageError
from rig.protocol.estimate import estimate

if TYPE_CHECKING:
    from rig.assembly.events_file import Events
    from rig.assembly.result import Result
    from rig.assembly.stand_in import StandIn
    from rig.protocol.plan import Plan


@click.command(epilog=RUN_CODES)
@click.argument("protocol")
@click.option(
    "--rig",
    "rig_name",
    metavar="RIG",
    help="Rig file, or a run whose recorded specimen stands in; without it the packaged rig.",
)
@out_option
@click.option(
    "--seed",
    required=True,
    metavar="N",
    type=click.IntRange(0),
    help="Number that decides the simulated specimen's life and the noise.",
)
@click.option(
    "--events",
    "events_name",
    metavar="FILE",
    help="What disturbs rig and specimen, and when; the truth of it is left in truth.jsonl.",
)
@ascii_option
@json_option
def rehearse(
    protocol: str,
    rig_name: str | None,
    out: Path,
    seed: int,
    events_name: str | None,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Carry PROTOCOL out on the simulated rig: hours in seconds, sample by sample.

    On a terminal the screen shows it, with its speed. Ctrl-C asks for the normal stop. The same
    seed gives the same test, bit for bit. Where --rig names a run (its folder or run.h5) the
    specimen bends as recorded there, cycle by cycle; controller, water and load are simulated.

    Example: nightrig rehearse protocols/overnight-wet-prism.toml --out night-1 --seed 1

    Example: nightrig rehearse dry-short --events draughty-night --out night-2 --seed 1
    """
    try:
        plan, specimen = planned(protocol, rig_name)
        events = scripted(events_name, plan)
        ready(plan, out)
        # Imported late: a mistake in a file is told sooner.
        from rig.assembly import rehearse as carried_out

        shown = Shown(ascii_only=ascii_only, hint=STOPS)
        carry_out = partial(carried_out, plan, out, seed, specimen=specimen, events=events)
        result = beside_screen(carry_out, out, shown)
    except RigError as error:
        if as_json:
            say_refusal(error)
        raise
    code = say_rehearsed(plan.title, result, out, shown, as_json=as_json)
    if events is not None and (never := never_happened(events, result.test_s)):
        say(folded(never, sys.stderr), err=True)
    return code


def never_happened(events: Events, ended: float) -> str:
    """Return in a line which events begin no sooner than a test `ended` [s], "" where none does."""
    # Imported late: few rehearsals have events.
    from rig.monitor.words import span

    late = [h for h in events.happenings if h.begin >= ended]
    told = ", ".join(f"{h.what} at {span(h.begin)}" for h in late)
    return f"never happened, as the test ended after {span(ended)}: {told}" if late else ""


def planned(protocol: str, rig_name: str | None) -> tuple[Plan, StandIn | None]:
    """Return the plan, and the recording that stands in for the specimen where one is named.

    Raises InputError and StorageError.
    """
    if rig_name is None or not is_recording(rig_name):
        return load(protocol, rig_name), None
    from rig.assembly.stand_in import plan_on, stand_in

    specimen = stand_in(Path(rig_name))
    plan = plan_on(specimen, find_protocol(protocol), read_text)
    for line in filter(None, (specimen.said, specimen.other_load(plan))):
        say(folded(line, sys.stderr), err=True)
    return plan, specimen


def scripted(name: str | None, plan: Plan) -> Events | None:
    """Return the events of a file, None where none is named. Raises InputError."""
    if name is None:
        return None
    from rig.assembly.events_file import load_events

    return load_events(find_events(name), partial(read_text, events=True), plan)


def is_recording(name: str) -> bool:
    """Tell whether a name is that of a run's folder or run file, and not of a rig file."""
    return os.path.isdir(name) or name.endswith(".h5")


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
    return EXIT_CODES[result.last.outcome]


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
