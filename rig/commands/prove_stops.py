"""`nightrig devices --prove-stops`: trips everything that must stop a rig, and measures it."""

from __future__ import annotations

import asyncio
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from rig.commands.asking import login_name
from rig.commands.confirm import Declined, words, yes
from rig.commands.files import find_rig
from rig.commands.proof_told import proof_object, proof_table, proof_words
from rig.commands.saying import folded, say, say_json
from rig.errors import EXIT_CODES, DeviceError, InputError, NotBegun

if TYPE_CHECKING:
    from rig.assembly.operating import Operator
    from rig.assembly.prove_stops import Order
    from rig.clock import Clock
    from rig.ports import Rig
    from rig.protocol.plan import Plan

RENEW_AFTER: Final = 90
"""Days after which a proof is to be renewed where the rig file does not say; common practice."""

CAUTIONS: Final = (
    "The rod moves, again and again, and is stopped each time. Nobody is within reach of the frame "
    "from the first horn to the end.",
    "It stops by what is being tried: that may fail. Somebody stands at the emergency stop who "
    "sees the rod.",
)
DUMMY: Final = "a dummy beam that carries {up_to} is in the frame, and no specimen"


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed: repeats, speed [m/s], highest load [N], socket of a panel, keep or not."""

    repeats: int
    speed: float | None
    up_to: float | None
    panel: Path | None
    keep: bool
    rig_name: str | None


def prove_stops(plan: Plan, asked: Asked, *, as_json: bool) -> int:
    """Prove the stops of a rig; return the exit code.

    Raises InputError where it may not be begun, NotBegun where somebody says no, DeviceError
    where the rig cannot be opened.
    """
    from rig.assembly.prove_stops import prove
    from rig.assembly.survey import held
    from rig.assembly.trying import answers_emulated
    from rig.clock import SystemClock

    clock: Clock = SystemClock()
    _refuse(plan, asked)
    with held(plan.rig, clock):
        emulated = asyncio.run(answers_emulated(plan, clock))
        _refuse_unattended(plan, asked, emulated=emulated)
        order = _order(plan, asked, emulated=emulated)

        def operator_of(rig: Rig) -> Operator:
            return _operator(asked, order, was=emulated, now=rig.emulated)

        proof = asyncio.run(prove(plan, clock, order, operator_of))
    day = clock.utc().astimezone().date()
    if as_json:
        say_json(proof_object(plan.rig, proof, order, day))
    else:
        say(folded(proof_words(plan.rig, proof, order), sys.stdout))
    if proof.whole and proof.rows:
        _keep(plan, asked, proof_table(plan.rig, proof, order.who, day, RENEW_AFTER))
    if proof.broken_off and not proof.troubles:
        return EXIT_CODES["operator"]
    return 0 if proof.whole else DeviceError.exit_code


def _refuse(plan: Plan, asked: Asked) -> None:
    """Refuse, before anything is opened, what cannot be proven. Raises InputError."""
    from rig.assembly.stop_rows import LEAST_CONTACT, MOST, moving

    rig = plan.rig
    if rig.driver == "simulated":
        raise InputError(
            f'rig "{rig.name}" is simulated inside this program and has nothing to prove; emulate '
            "it: nightrig devices --emulate --panel SOCKET --out FILE, then name that file"
        )
    if asked.speed is not None and not 0 < asked.speed <= min(MOST, rig.actuator.speed):
        most = min(MOST, rig.actuator.speed) * 1e3
        raise InputError(f"--speed: give one above 0 and up to {most:g} mm/s; nothing was moved")
    how = moving(rig, asked.speed, asked.up_to)
    if asked.up_to is not None and asked.up_to > how.up_to:
        raise InputError(
            f"--up-to: {asked.up_to / 1e3:g} kN is more than this rig may push; give at most "
            f"{how.up_to / 1e3:g} kN, and no more than the dummy beam carries; nothing was moved"
        )
    if how.up_to < 4 * LEAST_CONTACT:
        raise InputError(
            f"--up-to: {how.up_to / 1e3:g} kN is too little to find a beam and load it; give at "
            f"least {4 * LEAST_CONTACT / 1e3:g} kN, and a dummy beam that carries it"
        )


def _refuse_unattended(plan: Plan, asked: Asked, *, emulated: bool) -> None:
    """Refuse a real rig with nobody there, and an emulated one without a panel."""
    from rig.control.checklist import refusal

    if emulated:
        if asked.panel is None:
            raise InputError(
                "the rig is emulated: its inputs are operated at a panel; start the emulation "
                "with --panel SOCKET, and name it here; nothing was moved"
            )
        from rig.assembly.operating import Panel

        # A panel that is not there would be noticed only once the rod has moved.
        asyncio.run(Panel(asked.panel).look())
        return
    if asked.panel is not None:
        raise InputError("--panel is for an emulated rig; this one is real; nothing was moved")
    if why := refusal(plan):
        raise InputError(f"{why}; nothing was moved")
    if not _somebody():
        raise InputError(
            f'rig "{plan.rig.name}" is not emulated: its stops are proven by a person at a '
            "terminal; nothing was moved"
        )


def _operator(asked: Asked, order: Order, *, was: bool, now: bool) -> Operator:
    """Return who operates the inputs; `was` tells how the rig answered before it was asked for.

    Raises InputError for a rig that has become another: nobody has confirmed anything for it.
    """
    from rig.assembly.operating import Panel, Person

    if was != now:
        raise InputError(
            "the rig's devices no longer say the same of being emulated as when it was asked for; "
            "nothing was moved; look at its lines, then begin anew"
        )
    return Person(order.tell) if asked.panel is None else Panel(asked.panel)


def _order(plan: Plan, asked: Asked, *, emulated: bool) -> Order:
    """Return what is to be done, once somebody has confirmed it. Raises NotBegun."""
    from rig.assembly.prove_stops import Order
    from rig.assembly.stop_rows import moving

    how = moving(plan.rig, asked.speed, asked.up_to)
    who, on_call, skip = login_name(), "", frozenset[str]()
    try:
        if not emulated:
            who, on_call, skip = _confirmed(plan, how.up_to)
        elif _somebody():
            who = _asked_for()
    except Declined as error:
        raise NotBegun(f"the stops were not proven: {error}; nothing was moved") from None
    return Order(how, asked.repeats, who, on_call, skip, _tell, emulated=emulated)


def _asked_for() -> str:
    """Return the name of who wants an emulated rig to move. Raises Declined."""
    say(folded(_EMULATED, sys.stderr), err=True)
    who = words("Name of who asks", bool)
    if words('Type "prove" to let the rod move', bool).lower() != "prove":
        raise Declined('the word "prove" was not typed')
    return who


_EMULATED: Final = (
    "CAUTION: on a real rig this moves the rod. All devices of this one say that they are "
    "emulated: nothing real moves."
)


def _confirmed(plan: Plan, up_to: float) -> tuple[str, str, frozenset[str]]:
    """Have the checklist confirmed item by item; return name, who is on call, what is left out."""
    from rig.assembly.stop_rows import rows_of
    from rig.control.checklist import CAUTIONS as ALWAYS
    from rig.control.checklist import checklist

    for caution in (*ALWAYS, *CAUTIONS):
        say(folded(f"CAUTION: {caution}", sys.stderr), err=True)
    items = [DUMMY.format(up_to=f"{up_to / 1e3:g} kN"), *checklist(plan)]
    for number, item in enumerate(items, start=1):
        if not yes(f"{number} of {len(items)}: {item}"):
            raise Declined(f"not confirmed: {item}")
    rows, _ = rows_of(plan.rig)
    inputs = [row for row in rows if row.how == "input"]
    skip = {row.cause for row in inputs if not yes(f"Will somebody bring about: {row.cause}")}
    who = words("Name of who confirms", bool)
    on_call = words("On call, name and number", lambda text: any(c.isdigit() for c in text))
    return who, on_call, frozenset(skip)


def _keep(plan: Plan, asked: Asked, table: str) -> None:
    """Keep a proof in the rig file, once somebody says so."""
    from rig.assembly.rig_tables import keep_table

    path = Path(find_rig(asked.rig_name))
    if not asked.keep:
        if not _somebody():
            say(f"not kept in {path}: type --keep for that", err=True)
            return
        try:
            if not yes(f"Keep it in {path}"):
                return
        except Declined:
            return
    keep_table(path, "proof_of_stopping", table)
    say(f"kept in {path}, [proof_of_stopping]", err=True)


def _tell(text: str) -> None:
    click.echo(folded(text, sys.stderr), err=True)


def _somebody() -> bool:
    try:
        return sys.stdin.isatty()
    except (AttributeError, ValueError):
        return False
