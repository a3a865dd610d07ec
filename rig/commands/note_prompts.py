"""Questions in the terminal and their answers, one line each."""

from __future__ import annotations

import math
import sys
from typing import Final

import click

from rig.commands.note_said import NOT_READ, one_of
from rig.commands.saying import folded
from rig.control.request_line import clean
from rig.units import UnitError, parse

LEAVE: Final = "."
ASIDE: Final = "s"


class Left(Exception):
    """Whoever answers has left."""


class PassedOver(Exception):
    """The crack that is asked for is passed over."""


def number(question: str, *, needed: bool = False) -> float:
    """Return a length [m] that is typed, NaN for none. Raises PassedOver."""
    while True:
        text = words_of(f"{question}, mm")
        if (not text or text.casefold() == NOT_READ) and not needed:
            return math.nan
        try:
            # The question names the unit.
            return parse(f"{float(text)!r} mm" if _is_number(text) else text, "length")
        except UnitError as error:
            say(f"  {text!r}: {error.problem}; {error.remedy}" if text else "  it is needed")


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def word(question: str, words: tuple[str, ...], *, needed: bool = False) -> str:
    """Return the one word that what is typed begins; "" for none. Raises PassedOver."""
    while True:
        text = words_of(f"{question} ({', '.join(words)})")
        found = one_of(text, words)
        if found in words or not (text or needed):
            return found
        say(f"  {text!r}: type one of them, or as much of it as tells it from the others")


def words_of(question: str) -> str:
    """Return what is typed. Raises PassedOver, and Left at its end."""
    text = line(f"{question}: ")
    if text.casefold() == ASIDE:
        raise PassedOver
    return text


def yes(question: str) -> bool:
    """Return what is answered. Raises Left."""
    while True:
        answer = line(f"{question} (y/n): ").casefold()
        if answer in ("y", "yes", "n", "no"):
            return answer.startswith("y")


def line(prompt: str) -> str:
    """Return a line of the terminal. Raises Left at its end, or where somebody leaves."""
    click.echo(prompt, err=True, nl=False)
    try:
        typed = sys.stdin.readline()
    except (OSError, UnicodeDecodeError):
        typed = ""
    if not typed or typed.strip() == LEAVE:
        raise Left
    return clean(typed)


def say(text: str) -> None:
    """Write a line where the questions stand."""
    click.echo(folded(text, sys.stderr), err=True)
