"""What a runner does so that its run is told of: keeps how, starts the teller, looks after it.

Nothing here is waited for: a teller that does not start, hangs or dies costs the run an event.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import Final

from rig.clock import Clock
from rig.errors import InputError
from rig.protocol.lab import Lab, Messages, Secret
from rig.protocol.plan import Plan
from rig.record.trouble import storage

KEPT: Final = "messages.json"
"""What of a rig file the teller needs, in the run's folder: paths and names, no secret."""
LOOKS_EVERY: Final = 3.0
FIRST_WAIT: Final = 5.0
LONGEST_WAIT: Final = 600.0
"""How long [s] until a teller that died is started again, at first and at the most."""
STABLE: Final = 600.0
"""A teller that lived so long [s] is started again as soon as the first one."""
NICE: Final = 5
MOST: Final = 50
"""How often a teller is started again at the most, of those that did not live long."""


def messages_of(plan: Plan, folder: Path | None) -> Messages | None:
    """Return how a run is told of, None where it is not, with paths that hold anywhere.

    `folder` is that of a test that goes on by its record, which does not know where its rig file
    lay; None where the rig file has just been read.
    Raises InputError where the lab file or a secret is not as it must be.
    """
    found = plan.rig.messages
    if found is None:
        return None
    if folder is not None:
        found = kept_messages(folder)
    found = replace(found, lab=os.path.abspath(found.lab), password=_anywhere(found.password))
    _refuse_dumb(found)
    return found


def _anywhere(secret: Secret | None) -> Secret | None:
    if secret is None or not secret.file:
        return secret
    return replace(secret, file=os.path.abspath(secret.file))


def _refuse_dumb(messages: Messages) -> None:
    """Raise InputError where nobody would be told: by the lab file, or for want of a secret."""
    # Imported late: few rigs tell anybody.
    from rig.monitor.mqtt.signing import key_of
    from rig.monitor.secrets import secret_problem

    lab = told_lab(messages)
    secrets = [
        messages.password if messages.user or lab.broker is None else lab.broker.password,
        lab.afar.secret if lab.afar is not None and messages.requests else None,
        lab.mail.password if lab.mail is not None else None,
    ]
    for secret in secrets:
        if secret is not None and (problem := secret_problem(secret)):
            raise InputError(f"{problem}; nothing was started")
    if lab.afar is not None and messages.requests:
        key_of(lab.afar.secret)


def told_lab(messages: Messages) -> Lab:
    """Return the lab that a run's messages go by. Raises InputError."""
    from rig.protocol.lab_file import load_lab

    return load_lab(messages.lab, _text_of)


def _text_of(path: str) -> str:
    return Path(path).read_text(encoding="utf-8-sig")


def keep_messages(messages: Messages, folder: Path) -> None:
    """Keep in a run's folder how it is told of. Raises StorageError."""
    with storage(folder / KEPT, "write how the run is told of"):
        text = json.dumps(asdict(messages), ensure_ascii=False, indent=1)
        (folder / KEPT).write_text(text + "\n", encoding="utf-8")


def kept_messages(folder: Path) -> Messages:
    """Return how a run is told of. Raises InputError where that is not kept as it was written."""
    try:
        told = json.loads((folder / KEPT).read_text(encoding="utf-8"))
        secret = told.pop("password")
        requests = tuple(map(str, told.pop("requests")))
        password = None if secret is None else Secret(**secret)
        return Messages(**told, requests=requests, password=password)
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        why = getattr(error, "strerror", None) or "it is not as it was written"
        raise InputError(
            f"{folder / KEPT}: how this run is told of cannot be read: {why}; name its rig file "
            "with --rig"
        ) from None


def lab_problem(folder: Path) -> str:
    """Return in one line why nobody is told of a run: its lab file cannot be read; "" where it can.

    It may be edited while the test goes on; a teller that is started anew reads it anew.
    """
    try:
        told_lab(kept_messages(folder))
    except InputError as error:
        return f"nobody is told of the test until this is mended, looked at each minute: {error}"
    return ""


class Teller:
    """The teller of a run, as its runner sees it."""

    def __init__(self, folder: Path, taken: datetime, clock: Clock) -> None:
        self._folder, self._taken, self._clock = folder, taken, clock
        self._process: subprocess.Popen[bytes] | None = None
        self._begun = False
        self._said: deque[str] = deque()

    async def look_after(self, event: Callable[[str], None]) -> None:
        """Start it, and again when it has died, until it is cancelled; `event` takes a line."""
        try:
            await self._kept_going(event)
        except Exception as error:  # noqa: BLE001 - whatever it was, the test goes on
            event(f"nobody looks after the messages any more: {type(error).__name__}: {error}")

    def _read_lab(self) -> None:
        """Have the lab file read beside the test: its disk may hang, and takes no step up then."""

        def read() -> None:
            if problem := lab_problem(self._folder):
                self._said.append(problem)

        threading.Thread(target=read, name="lab file", daemon=True).start()

    async def _kept_going(self, event: Callable[[str], None]) -> None:
        wait, left, began, trouble = FIRST_WAIT, MOST, self._clock.now(), self._start()
        while left:
            trouble = await self._ended(trouble, event)
            if self._clock.now() - began > STABLE:
                wait, left = FIRST_WAIT, MOST
            event(f"{trouble}; the test goes on, started again in {wait:.0f} s")
            await self._clock.sleep(wait)
            wait, left = min(2 * wait, LONGEST_WAIT), left - 1
            began, trouble = self._clock.now(), self._start()
            if not trouble:
                event("whoever tells of the test was started again")
                self._read_lab()
        event(f"{await self._ended(trouble, event)}; it is not started again")

    async def _ended(self, trouble: str, event: Callable[[str], None]) -> str:
        """Return how it ended, once it has; at once where there is trouble already."""
        while not trouble:
            await self._clock.sleep(LOOKS_EVERY)
            while self._said:
                event(self._said.popleft())
            trouble = self._died()
        return trouble

    def _start(self) -> str:
        """Start it; return why that failed, "" where it did not."""
        self._begun = True
        command = [
            *(sys.executable, "-P", "-m", "rig.assembly.teller"),
            *(str(self._folder), str(os.getpid()), self._taken.isoformat()),
        ]
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        except OSError as error:
            return f"nobody can be told of the test: {error.strerror}"
        # The control loop comes first where both want the processor.
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, self._process.pid, NICE)
        return ""

    def last_look(self) -> None:
        """Start it once more if it has died: how the test ended is to be told."""
        if self._begun and (self._process is None or self._process.poll() is not None):
            self._start()

    def _died(self) -> str:
        code = None if self._process is None else self._process.poll()
        if code is None:
            return ""
        how = f"by signal {-code}" if code < 0 else f"with {code}"
        how = "since it hung" if code == -signal.SIGALRM else how
        return f"whoever tells of the test ended {how}; see teller.log in its folder"
