"""`pause` and `stop` from elsewhere: over the broker of a lab, signed with the lab's secret."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

import click

from rig.commands.asking import login_name
from rig.commands.options import REQUEST_CODES
from rig.commands.saying import folded, say, say_json
from rig.errors import InputError, StorageError

if TYPE_CHECKING:
    from rig.monitor.mqtt.asking import Said
    from rig.protocol.lab import Lab

CAUTION: Final = (
    "This is no emergency stop: it may come late or never. In danger use the one at the rig. "
    "Nobody sees from here who stands beside it."
)

AFAR_CODES: Final = (
    f"{REQUEST_CODES}\n\nFrom elsewhere 2 is also: no answer; it may have been done."
)


def afar_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options of a request from elsewhere."""
    on = click.option("--on", "rig", metavar="RIG", help="With --lab: the rig's name in its lab.")
    lab = click.option(
        "--lab", metavar="FILE", help="Ask from elsewhere, over the broker of this lab file."
    )
    return lab(on(command))


def elsewhere(folder: str | None, lab: str | None, rig: str | None) -> tuple[str, str] | None:
    """Return lab file and rig where one elsewhere is asked, None for a run here.

    Raises InputError where that is not clear.
    """
    if lab is None and rig is None:
        return None
    if lab is None:
        raise InputError("--on names a rig of a lab; give its lab file with --lab too")
    if rig is None:
        raise InputError("--lab asks a rig elsewhere; name it with --on, as in --on frame-1")
    if folder is not None:
        raise InputError(f"{folder} is a run here, and --lab asks a rig elsewhere; give only one")
    return lab, rig


def request_afar(
    lab_file: str, rig: str, by: str | None, as_json: bool, *, ask: str, text: str
) -> int:
    """Ask a rig over its broker, print both answers, return the exit code. Raises InputError."""
    try:
        said = _asked(lab_file, rig, by or login_name(), ask, text)
    except InputError as error:
        if as_json:
            say_json({"answer": None, "text": str(error)})
        raise
    if as_json:
        say_json(_plain(rig, said))
    else:
        say(folded(f"{rig}, {_named(said.run)}: {_words(said)}", sys.stdout))
    if said.answer != "acted":
        return InputError.exit_code
    return 0 if said.recorded else StorageError.exit_code


def _asked(lab_file: str, rig: str, who: str, ask: str, text: str) -> Said:
    # Imported late: a client of a broker takes its time, and only this needs one.
    import asyncio

    from rig.clock import SystemClock
    from rig.commands.files import load_lab
    from rig.monitor.mqtt.asking import Wanted, ask_afar
    from rig.monitor.mqtt.signing import key_of
    from rig.monitor.secrets import read_secret

    lab = load_lab(lab_file)
    broker, afar = lab.broker, lab.afar
    if broker is None or afar is None:
        raise InputError(_lacking(lab_file, lab))
    key = key_of(afar.secret)
    password = read_secret(broker.password) if broker.password is not None else None
    # Who cannot read it is no reason to ask for nothing.
    _meanwhile(CAUTION)
    wanted = Wanted(lab.name, rig, ask, who, text)
    asks = ask_afar(broker, password, key, wanted, SystemClock(), _meanwhile)
    return asyncio.run(asks)


def _meanwhile(line: str) -> None:
    say(folded(line, sys.stderr), err=True)


def _lacking(lab_file: str, lab: Lab) -> str:
    table = "[requests] with the secret that signs" if lab.broker else "[broker]"
    return f"{lab_file}: {table} is missing; without it no rig can be asked from elsewhere"


def _plain(rig: str, said: Said) -> dict[str, object]:
    return {
        "rig": rig,
        "run": said.run,
        "answer": said.answer,
        "text": said.text,
        "state": said.state,
        "reason": said.reason,
        "recorded": said.recorded,
        "trouble": said.trouble,
    }


def _named(run: str) -> str:
    """Return the name of a run without when it began, which sets it off from others of the name."""
    return re.sub(r" \d{4}-\d\d-\d\dT[\d:.]+Z$", "", run)


def _words(said: Said) -> str:
    words = f"{said.answer}: {said.text}"
    if said.recorded:
        return f"{words}; recorded"
    return f"{words}; not recorded: {said.trouble}" if said.recorded is False else words
