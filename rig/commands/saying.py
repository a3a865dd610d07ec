"""Printing what somebody may no longer be there to read: the code tells it all the same."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import select
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Final, TextIO

import click

from rig.commands.usage import typed
from rig.errors import RigError
from rig.monitor.words import span

if TYPE_CHECKING:
    from rig.assembly.result import Result
    from rig.record.entries import Residual


SOON: Final = 0.25
"""How long [s] a pipe may take nothing before whoever leaves is told nothing."""


def print_anything() -> None:
    """Let no name of a file fail to be printed, whatever the terminal's letters are."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def say(text: str, *, err: bool = False, waits: bool = True) -> None:
    """Print a text; where nobody can read it any more, say nothing from here on.

    If it must not wait, a pipe that takes nothing counts as one that nobody reads.
    """
    try:
        if not waits and not _takes(sys.stderr if err else sys.stdout):
            raise BrokenPipeError
        click.echo(text, err=err)
    except OSError:
        # What waits in its buffer would fail once more at the very end.
        if err:
            sys.stderr = None
        else:
            sys.stdout = None


def visible(text: str) -> str:
    """Return a text that controls no terminal: what could do so is shown, lines stay lines.

    A damaged file may put anything into what a library says of it.
    """
    return "".join(
        sign if sign == "\n" or sign.isprintable() else sign.encode("unicode_escape").decode()
        for sign in text
    )


def _takes(stream: TextIO | None) -> bool:
    """Tell whether a stream takes a short text now or soon."""
    try:
        return stream is None or bool(select.select([], [stream.fileno()], [], SOON)[1])
    except io.UnsupportedOperation:  # a stream in memory
        return True


def width_of(stream: TextIO | None) -> int:
    """Return how many letters a line of a stream's terminal has, 0 where it is no terminal."""
    try:
        if stream is None or not stream.isatty():
            return 0
        return os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        return 0


def height_of(stream: TextIO | None) -> int:
    """Return how many lines a stream's terminal has, 0 where it is no terminal."""
    try:
        if stream is None or not stream.isatty():
            return 0
        return os.get_terminal_size(stream.fileno()).lines
    except (OSError, ValueError):
        return 0


def folded(text: str, stream: TextIO | None) -> str:
    """Return a text for a stream: on a terminal, long lines are broken between words.

    What follows is set in as far as what stands behind a label; without a terminal every line
    stays whole.
    """
    width = width_of(stream)
    return "\n".join(_folded(line, width) if width else line for line in text.split("\n"))


def _folded(line: str, width: int) -> str:
    if len(line) <= width:
        return line
    label = re.match(r"\s+\S+\s{2,}", line)
    indent = label.end() if label else len(line) - len(line.lstrip()) + 2
    # A path or a command stays in one piece.
    return textwrap.fill(
        line,
        width,
        subsequent_indent=" " * min(indent, width // 2),
        break_long_words=False,
        break_on_hyphens=False,
        expand_tabs=False,
        replace_whitespace=False,
    )


@contextlib.contextmanager
def meanwhile(title: str, what: str) -> Iterator[None]:
    """Say on standard error what is under way; a terminal is wiped of it once that is over."""
    stream, line = sys.stderr, visible(f"{title}: {what}")
    room = width_of(stream) - 1
    if stream is None or room <= 0:
        say(line, err=True)
        yield
        return
    # A line that went on below the first could not be wiped away.
    line = line if len(line) <= room else what[:room]
    _put(stream, line)
    try:
        yield
    finally:
        _put(stream, f"\r{' ' * len(line)}\r")


def _put(stream: TextIO, text: str) -> None:
    with contextlib.suppress(OSError, ValueError):
        stream.write(text)
        stream.flush()


def say_json(told: dict[str, object]) -> None:
    """Print one object on standard output."""
    say(json.dumps(told, default=str, allow_nan=False))


def say_refusal(error: RigError) -> None:
    """Print as one object why nothing was started."""
    problems = [asdict(problem) for problem in getattr(error, "problems", ())]
    say_json({"outcome": None, "why": str(error), "problems": problems})


def say_result(title: str, result: Result, out: Path, *, as_json: bool) -> None:
    """Print how the test in a folder ended: one object, or a few lines for people."""
    if as_json:
        say_json(result_json(result))
    else:
        say(folded(summary(title, result, out), sys.stdout))


def result_json(result: Result) -> dict[str, object]:
    """Return a result as plain values."""
    plain = {**asdict(result), "outcome": result.outcome or None}
    return {**plain, "residual": residual_json(result.residual)}


def residual_json(residual: Residual | None) -> dict[str, object] | None:
    """Return how a static test after a run-out ended, as plain values; None without one."""
    if residual is None:
        return None
    return {
        "outcome": residual.outcome,
        "why": residual.why,
        "load_N": residual.load,
        "deflection_m": residual.deflection,
    }


def summary(title: str, result: Result, out: Path) -> str:
    """Return what a person wants to know of the end, and how it may go on, in a few lines."""
    here = f", {span(result.real_s)} here" if result.real_s is not None else ""
    on = goes_on(result.last.outcome, result.last.why, out)
    lines = (
        title,
        f"  outcome   {result.outcome or 'none'}: {result.why}",
        f"  cycles    {result.cycles:,}",
        *_residual(result.residual),
        *(f"  alert     {alert}" for alert in result.alerts),
        f"  took      {span(result.test_s)} of test{here}",
        f"  record    {result.run}",
        *([f"  go on     {on}"] if on else []),
    )
    return "\n".join(lines)


def _residual(residual: Residual | None) -> list[str]:
    """Return the line on the static test after a run-out, if there was one."""
    if residual is None:
        return []
    return [f"  residual  {residual.words.removeprefix('residual capacity ')}"]


def goes_on(outcome: str, why: str, out: Path) -> str:
    """Return what is typed to go on with a test that ended, "" where its specimen has had it."""
    from rig.record.entries import AS_IT_STANDS, OF_AIR

    if why.startswith((AS_IT_STANDS, OF_AIR)):
        return ""
    if outcome == "operator":
        return f"nightrig resume {typed(out)}"
    if outcome in ("limit", "fault"):
        return f'once the cause is mended: nightrig resume {typed(out)} --mended "WHAT WAS DONE"'
    return ""
