"""Printing what somebody may no longer be there to read: the code tells it all the same."""

from __future__ import annotations

import io
import json
import sys
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

from rig.errors import RigError
from rig.monitor.words import span

if TYPE_CHECKING:
    from rig.assembly.result import Result


def print_anything() -> None:
    """Let no name of a file fail to be printed, whatever the terminal's letters are."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def say(text: str, *, err: bool = False) -> None:
    """Print a text; where nobody can read it any more, say nothing from here on."""
    try:
        click.echo(text, err=err)
    except OSError:
        # What waits in its buffer would fail once more at the very end.
        if err:
            sys.stderr = None
        else:
            sys.stdout = None


def say_json(told: dict[str, object]) -> None:
    """Print one object on standard output."""
    say(json.dumps(told, default=str, allow_nan=False))


def say_refusal(error: RigError) -> None:
    """Print as one object why nothing was started."""
    problems = [asdict(problem) for problem in getattr(error, "problems", ())]
    say_json({"outcome": None, "why": str(error), "problems": problems})


def say_result(title: str, result: Result, *, as_json: bool) -> None:
    """Print how a test ended: one object, or a few lines for people."""
    if as_json:
        say_json(asdict(result))
    else:
        say(summary(title, result))


def summary(title: str, result: Result) -> str:
    """Return what a person wants to know of the end, in a few lines."""
    here = f", {span(result.real_s)} here" if result.real_s is not None else ""
    return "\n".join(
        (
            title,
            f"  outcome   {result.outcome}: {result.why}",
            f"  cycles    {result.cycles:,}",
            f"  took      {span(result.test_s)} of test{here}",
            f"  record    {result.run}",
        )
    )
