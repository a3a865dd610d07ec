"""Asking a live run from the terminal: which run, by whom, and both answers in words."""

from __future__ import annotations

import getpass
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import click

from rig.commands.options import json_option
from rig.commands.saying import folded, say, say_json
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
    return by(json_option(command))


def why_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the reason that is written down with a request."""
    return click.option("--why", metavar="TEXT", default="", help="Reason, for the record.")(
        command
    )


def request(
    folder: str | None, by: str | None, as_json: bool, *, ask: str, **fields: object
) -> int:
    """Ask a run, print both answers, return the exit code.

    Raises InputError where there is no such run.
    """
    try:
        run = the_run(folder, ask)
        answers = under_way(run, ask)
        if answers is None:
            answers = asked(run, {"ask": ask, "who": by or login_name(), **fields})
    except InputError as error:
        if as_json:
            say_json({"answer": None, "text": str(error)})
        raise
    except NoAnswer as error:
        raise InputError(f"{folder or run.folder}: the run ended before it answered") from error
    # Nobody may be there to read it; what was done is done, and the code still tells it.
    tell(answers, as_json=as_json)
    if answers["answer"] != "acted":
        return InputError.exit_code
    return StorageError.exit_code if answers["recorded"] is False else 0


def tell(answers: dict[str, Any], *, as_json: bool) -> None:
    """Print both answers."""
    if as_json:
        say_json(answers)
        return
    say(folded(f"{answers['answer']}: {answers['text']}", sys.stdout))
    if answers["recorded"]:
        say("recorded")
    elif answers["recorded"] is False:
        say(folded(f"not recorded: {answers['trouble']}", sys.stdout))


def the_run(folder: str | None, ask: str) -> LiveRun:
    """Return the live run of a folder, or the only one. Raises InputError."""
    if folder is None:
        return only_run(ask, "nothing was asked")
    path = find_socket(Path(folder))
    run = look_at(path) if path is not None else None
    if run is None:
        # Imported late: the journal's reader would slow down every request.
        from rig.commands.folders import place

        raise InputError(f"{place(Path(folder)).text}; nothing was asked")
    return run


def only_run(command: str, otherwise: str) -> LiveRun:
    """Return the one live run of this user.

    Raises InputError naming those there are and what to type, or those there were; it says
    `otherwise` what was or can be done.
    """
    runs = live_runs()
    if len(runs) == 1:
        return runs[0]
    # Imported late: the journal's reader would slow down every request.
    if not runs:
        from rig.commands.past import past_runs

        raise InputError("; ".join(["no live run of yours", *past_runs(), otherwise]))
    from rig.commands.several import lines_of

    raise InputError("\n".join([f"several runs are live; {otherwise}", *lines_of(runs, command)]))


def under_way(run: LiveRun, ask: str) -> dict[str, Any] | None:
    """Return the answer to what a run that is being stopped need not be asked, else None."""
    if run.told.get("state") != "stopping" or ask == "note":
        return None
    answer = "acted" if ask == "stop" else "refused"
    text = "the test is being stopped already"
    return {"answer": answer, "text": text, "state": "stopping", "recorded": None, "trouble": ""}


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
            say(f"Now use the {kind} at the rig, within {within}.", err=True)
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
