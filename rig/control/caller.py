"""Asking a live run: the other side of its door, for commands."""

from __future__ import annotations

import contextlib
import json
import logging
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from rig.control.address import all_sockets, is_trusted
from rig.control.request_line import write_request

_LOG: Final = logging.getLogger(__name__)
LOOKS_WITHIN: Final = 3.0  # [s] a run that lives answers a look


class NoAnswer(Exception):
    """The run has ended, or does not answer."""


class Caller:
    """One connection to a run; a context manager. Raises NoAnswer."""

    def __init__(self, path: Path, within: float = LOOKS_WITHIN) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(within)
        try:
            self._socket.connect(str(path))
            trusted = is_trusted(self._socket)
        except OSError as error:
            self._socket.close()
            raise NoAnswer(str(error)) from error
        if not trusted:
            self._socket.close()
            _LOG.warning("%s: another user answers there; nothing was asked", path)
            raise NoAnswer("another user answers")
        self._lines = self._socket.makefile("rb")

    def __enter__(self) -> Caller:
        return self

    def __exit__(self, *_why: object) -> None:
        self.close()

    def close(self) -> None:
        """Hang up."""
        self._lines.close()
        self._socket.close()

    def ask(self, message: Mapping[str, object]) -> dict[str, Any]:
        """Send one line and return the first answer."""
        self.send(message)
        return self.listen()

    def send(self, *messages: Mapping[str, object]) -> None:
        """Send lines; their answers come in the same order."""
        # A door that refuses at once may have hung up by now; its answer can still be heard.
        with contextlib.suppress(OSError):
            self._socket.sendall(b"".join(map(write_request, messages)))

    def listen(self, within: float | None = None) -> dict[str, Any]:
        """Return the next answer, waiting at most as long as told [s]."""
        if within is not None:
            self._socket.settimeout(within)
        try:
            answer = json.loads(self._lines.readline())
        except (OSError, ValueError) as error:
            raise NoAnswer(str(error) or "the run is gone") from error
        if not isinstance(answer, dict):
            raise NoAnswer("the answer is no object")
        return answer


@dataclass(frozen=True, slots=True)
class LiveRun:
    """A run whose socket answers; `told` is what it says of itself."""

    socket: Path
    told: Mapping[str, Any]

    @property
    def folder(self) -> str:
        """The run's folder."""
        return str(self.told.get("run", "?"))


def look_at(path: Path) -> LiveRun | None:
    """Return the run behind a socket, or None where nobody answers."""
    try:
        with Caller(path) as caller:
            told = caller.ask({"ask": "look"})
    except NoAnswer:
        return None
    # A door that refuses, as one with too many visitors, belongs to a live run all the same.
    return LiveRun(path, told)


def live_runs() -> tuple[LiveRun, ...]:
    """Return every live run of this user."""
    return tuple(run for path in all_sockets() if (run := look_at(path)) is not None)
