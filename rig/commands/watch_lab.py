"""`nightrig watch --lab`: every rig of a lab's broker on one screen; only looking, nothing else."""

from __future__ import annotations

import re
import shutil
import sys
from datetime import timedelta, tzinfo
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

from rig.commands.leaving import Leaving
from rig.commands.saying import say, say_json
from rig.commands.screen import Shown
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.monitor.lab.view import LabView
    from rig.monitor.mqtt.listening import Listener

LEAVES: Final = "Ctrl-C leaves this screen; the tests go on"
_KEPT: Final = timedelta(seconds=1)
"""Within this time everything that the broker kept has arrived."""


def watch_lab(name: str, folder: str | None, shown: Shown, *, once: bool, as_json: bool) -> int:
    """Show every rig of a lab file's broker until somebody leaves; return the code.

    With `once`, or `as_json`, what is known after a few seconds is printed. Raises InputError
    where the lab file or its secrets are wrong, its broker cannot be reached, or a `folder` of a
    run is given too.
    """
    if folder is not None:
        raise InputError(f"--lab shows every rig of a lab: leave out {folder}, or --lab")
    with Leaving() as leaving, _listener(name) as listener:
        # A person who waits for an address that nobody answers may leave meanwhile.
        while not listener.is_there and not leaving.asked:
            listener.look()
            leaving.pause()
        if once or as_json:
            return _say_once(listener, leaving, shown, as_json=as_json)
        _show(listener, leaving, shown)
    return 0


def _listener(name: str) -> Listener:
    """Return what listens to the broker of a lab file. Raises InputError."""
    # Imported late: they take longer than all the rest of this program.
    from rig.commands.files import find_lab, load_lab
    from rig.monitor.mqtt.listening import Listener
    from rig.monitor.secrets import read_secret

    lab = load_lab(name)
    broker = lab.broker
    if broker is None:
        raise InputError(
            f'{find_lab(name)}: has no [broker]; give one such as host = "broker.example"'
        )
    password = read_secret(broker.password) if broker.password is not None else None
    return Listener(lab.name, broker, password, _zone(lab.zone))


def _zone(name: str) -> tzinfo | None:
    return ZoneInfo(name) if name else None


def _show(listener: Listener, leaving: Leaving, shown: Shown) -> None:
    from rig.monitor.lab.showing import show_lab

    show_lab(
        listener.look,
        leaving.is_asked,
        pause=leaving.pause,
        ascii_only=shown.plain,
        stream=shown.stream or sys.stdout,
        hint=LEAVES,
    )


def _say_once(listener: Listener, leaving: Leaving, shown: Shown, *, as_json: bool) -> int:
    view = listener.look()
    while not (leaving.asked or _settled(view)):
        leaving.pause()
        view = listener.look()
    if as_json:
        say_json(_values(view))
    else:
        say(_text(view, shown))
    return 0


def _settled(view: LabView) -> bool:
    """Tell whether every rig that should be there has spoken since somebody listens."""
    from rig.monitor.lab.lines import SETTLES
    from rig.monitor.lab.need import judged

    heard = view.now.utc - view.since if view.since is not None else timedelta(0)
    if heard < _KEPT:
        return False
    waits = any(not (one.rig.live or one.rig.left or one.outcome) for one in judged(view))
    return heard >= SETTLES or not waits


def _values(view: LabView) -> dict[str, Any]:
    from rig.monitor.lab.values import lab_values

    return lab_values(view)


def _text(view: LabView, shown: Shown) -> str:
    """Return the screen as text, as wide as the terminal, with a line more for each rig."""
    from rig.monitor.lab.screen import lab_text

    width, height = shutil.get_terminal_size((100, 40))
    # Nothing scrolls past whoever reads a text: every rig has room for its line and why.
    room = max(height - 1, 24, 6 + 4 * len(view.rigs))
    told = lab_text(view, width, room, ascii_only=shown.plain).rstrip()
    return re.sub(r"\n{3,}", "\n\n", told)
