"""Asking a live run from the terminal: which run, by whom, and both answers in words."""

from __future__ import annotations

import contextlib
import getpass
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import click

from rig.control.address import find_socket
from rig.control.caller import Caller, LiveRun, NoAnswer, live_runs, look_at
from rig.errors import InputError, StorageError

ACTS_WITHIN: Final = 200.0  # [s]: somebody may have to walk to the input at the rig
RECORDS_WITHIN: Final = 20.0
MOVING: Final = ("continue", "unload", "confirm")
"""What a real rig does only with the input at the rig."""


def login_name() -> str:
    """Return the name of who is logged in."""
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return f"user {os.getuid()}"


def by_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that every request has."""
    by = click.option("--by", metavar="NAME", help="Who asks; the login name if not given.")
    as_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
    return by(as_json(command))


def why_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the reason that is written down with a request."""
    return click.option("--why", metavar="TEXT", default="", help="Is written down.")(command)


def request(
    folder: str | None, by: str | None, as_json: bool, *, ask: str, **fields: object
) -> int:
    """Ask a run, print both answers, return the exit code.

    Raises InputError where there is no such run.
    """
    try:
        run = the_run(folder)
        answers = asked(run, {"ask": ask, "who": by or login_name(), **fields})
    except InputError as error:
        if as_json:
            click.echo(json.dumps({"answer": None, "text": str(error)}))
        raise
    except NoAnswer as error:
        raise InputError(f"{folder or run.folder}: the run ended before it answered") from error
    try:
        tell(answers, as_json=as_json)
    except OSError:
        # Nobody can read it; what was done is done, and the code still tells it.
        sys.stdout = None
    if answers["answer"] != "acted":
        return InputError.exit_code
    return 0 if answers["recorded"] else StorageError.exit_code


def tell(answers: dict[str, Any], *, as_json: bool) -> None:
    """Print both answers."""
    if as_json:
        click.echo(json.dumps(answers))
        return
    click.echo(f"{answers['answer']}: {answers['text']}")
    if answers["recorded"]:
        click.echo("recorded")
    elif answers["recorded"] is False:
        click.echo(f"not recorded: {answers['trouble']}")


def the_run(folder: str | None) -> LiveRun:
    """Return the live run of a folder, or the only one. Raises InputError."""
    if folder is not None:
        path = find_socket(Path(folder))
        run = look_at(path) if path is not None else None
        if run is None:
            raise InputError(f"{folder}: no live run of yours is there; nothing was asked")
        return run
    runs = live_runs()
    if len(runs) == 1:
        return runs[0]
    if not runs:
        raise InputError("no live run of yours; nothing was asked")
    raise InputError("\n".join(["several runs are live; name the folder of one:", *map(str, runs)]))


def asked(run: LiveRun, message: dict[str, object]) -> dict[str, Any]:
    """Ask and return both answers as one: answer, text, state, recorded, trouble.

    Says meanwhile what somebody has to do at the rig. `recorded` is None where nothing was to be
    recorded. Raises NoAnswer.
    """
    with Caller(run.socket, within=ACTS_WITHIN) as caller:
        caller.send(message)
        kind = run.told.get("local_input")
        if kind and message["ask"] in MOVING:
            within = f"{run.told.get('local_wait_s', 60):.0f} s"
            # Who cannot read it is no reason to leave before the answer.
            with contextlib.suppress(OSError):
                click.echo(f"Now use the {kind} at the rig, within {within}.", err=True)
        first = caller.listen()
        told = {key: str(first.get(key, "")) for key in ("answer", "text", "state")}
        if told["answer"] != "acted":
            return {**told, "recorded": None, "trouble": ""}
        try:
            second = caller.listen(RECORDS_WITHIN)
        except NoAnswer:
            second = {"text": "the run ended before it said so; see its record"}
    recorded = second.get("answer") == "recorded"
    return {**told, "recorded": recorded, "trouble": str(second.get("text", ""))}
