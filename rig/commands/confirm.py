"""The checklist on the terminal: one item after the other, then two names."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Final

import click

from rig.commands.asking import asked, login_name
from rig.control.caller import LiveRun

YES: Final = ("y", "yes")
NO: Final = ("n", "no")


class Declined(Exception):
    """Somebody said no, or went away; the message says to what."""


def confirm(run: LiveRun, on_call: str | None) -> None:
    """Show cautions and items, have each confirmed, and send the confirmation.

    Raises Declined for any "n" and where the input ends, NoAnswer where the run ended.
    """
    for caution in run.told["cautions"]:
        click.echo(f"CAUTION: {caution}", err=True)
    items = list(run.told["checklist"])
    for number, item in enumerate(items, start=1):
        if not yes(f"{number} of {len(items)}: {item}"):
            raise Declined(f"not confirmed: {item}")
    who = words("Name of who confirms", lambda text: bool(text))
    on_call = on_call or words(
        "On call, name and number", lambda text: any(c.isdigit() for c in text)
    )
    while True:
        message = {"ask": "confirm", "who": who, "items": items, "on_call": on_call}
        answers = asked(run, dict(message))
        click.echo(f"{answers['answer']}: {answers['text']}", err=True)
        if answers["answer"] == "acted":
            return
        if not yes("Try again"):
            raise Declined(f"not started: {answers['text']}")


def decline(run: LiveRun, why: str) -> None:
    """Have the run stopped before anything has moved. Raises NoAnswer where it ended."""
    asked(run, {"ask": "stop", "who": login_name(), "text": why})


def yes(question: str) -> bool:
    """Return whether a question of the terminal is answered with yes. Raises Declined."""
    while True:
        answer = _line(f"{question} (y/n): ").lower()
        if answer in YES or answer in NO:
            return answer in YES


def words(question: str, enough: Callable[[str], bool]) -> str:
    """Return what the terminal answers, asking until it is enough. Raises Declined."""
    while True:
        answer = _line(f"{question}: ")
        if enough(answer):
            return answer


def _line(prompt: str) -> str:
    """Return a line of the terminal. Raises Declined at its end."""
    try:
        click.echo(prompt, err=True, nl=False)
        line = sys.stdin.readline()
    except (OSError, UnicodeDecodeError, KeyboardInterrupt):
        line = ""
    if not line:
        raise Declined("the checklist was left before its end")
    return line.strip()
