"""Before something is switched for a try: the caution, who asks, and a typed word."""

from __future__ import annotations

import sys
from typing import Final

import click

from rig.commands.asking import login_name
from rig.commands.saying import folded
from rig.errors import InputError, NotBegun

_CAUTIONS: Final = {
    "pump": (
        "Water comes out of the nozzles for 2 s. Electrics beside them are covered, behind a "
        "residual-current device, and tried; nobody is within reach of the spray or of the frame.",
        "Whoever cannot see the nozzles has somebody there who can, and who can close the water "
        "by hand.",
    ),
    "horn": (
        "The horn or lamp is on for 2 s. It is what warns people that the rig moves: tell those "
        "who hear it that nothing will. Nobody is within reach of the frame.",
    ),
    "shunt": (
        "The channel shows a load that is not there. The pressure is off and stays off; nobody is "
        "within reach of the frame.",
    ),
}
_ALWAYS: Final = "Software is no safety system: emergency stop, guards and people come first."
_EMULATED: Final = "All devices of this rig say that they are emulated: nothing real is switched."


def consent(what: str, *, emulated: bool, does: str = "switch it on for 2 s") -> str:
    """Return the name of who wants it switched, once that was confirmed by a typed word.

    `what` is "pump", "horn" or "shunt"; the word `does` it. Nobody is asked about an emulated rig
    without a terminal. Raises InputError where a real one has nobody there to ask, NotBegun where
    the word is not typed.
    """
    if not _somebody():
        if emulated:
            return login_name()
        raise InputError(
            f"the {what} is not switched: the rig is not emulated, and only a person at a terminal "
            "may try it; nothing was switched"
        )
    for caution in (*_CAUTIONS[what], _ALWAYS):
        click.echo(folded(f"CAUTION: {caution}", sys.stderr), err=True)
    if emulated:
        click.echo(folded(_EMULATED, sys.stderr), err=True)
    try:
        who = _asked("Name of who asks: ")
        if who and _asked(f'Type "{what}" to {does}: ').lower() == what:
            return who
    except KeyboardInterrupt:
        click.echo(err=True)
        raise NotBegun(f"the {what} was not switched: broken off") from None
    missing = f'the word "{what}" was not typed' if who else "nobody gave a name"
    raise NotBegun(f"the {what} was not switched: {missing}")


def done_by_hand(what: str, word: str) -> bool:
    """Ask somebody to do something at the rig, and wait for a word; False where it never comes."""
    try:
        while (typed := _line(f'{what}, then type "{word}": ')) is not None:
            if typed.lower() == word:
                return True
    except KeyboardInterrupt:
        click.echo(err=True)
    return False


def _somebody() -> bool:
    try:
        return sys.stdin.isatty()
    except (AttributeError, ValueError):
        return False


def _asked(prompt: str) -> str:
    """Return a line of the terminal, "" at its end."""
    return _line(prompt) or ""


def _line(prompt: str) -> str | None:
    """Return a line of the terminal, None at its end."""
    click.echo(prompt, err=True, nl=False)
    try:
        line = sys.stdin.readline()
    except (OSError, UnicodeDecodeError):
        return None
    return line.strip() if line else None
