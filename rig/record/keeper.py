"""Keeps one recorder process at work for as long as a run lasts, and never two.

A process that dies or falls silent is waited for, and only then replaced. What it had not
acknowledged is sent to the next one.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from rig.errors import InputError, StorageError
from rig.record.backlog import Backlog
from rig.record.child import Child, ended
from rig.record.entries import RunHeader
from rig.record.wire import Message, pack

COMMAND: Final = (sys.executable, "-P", "-m", "rig.record.process")
START_WITHIN: Final = 30.0
"""How long a recorder may take to begin [s]: a loaded machine, a long journal."""
FIRST_WAIT: Final = 0.2
LONGEST_WAIT: Final = 5.0
ATTEMPTS_TO_FINISH: Final = 3
DEATHS_OF_ONE: Final = 3
"""So many processes may die of one message: a first death may have another reason."""


class Keeper:
    """The recorder process of one run, whichever process it is. Lives in one event loop.

    `note` is told in words what became of a process, `durable` up to which message all is on
    the disk, `lost` why nobody keeps the recorder any more. `counted` is the last counted cycle
    that is known to be on the disk, `said` what it refuses or how it ended, "" since all is well.
    """

    def __init__(
        self, folder: Path, header: RunHeader, command: Sequence[str] | None, silence: float
    ) -> None:
        self.backlog = Backlog()
        self.counted = 0
        self.note: Callable[[str], None] = _ignore
        self.durable: Callable[[int], None] = _ignore
        self.lost: Callable[[str], None] = _ignore
        self.said = ""
        self._folder = folder
        self._header = header
        self._command = command or COMMAND
        self._silence = silence
        self._loop = asyncio.get_running_loop()
        self._child: Child | None = None
        self._task: asyncio.Task[None] | None = None
        self._asked, self._asked_at = 0, 0.0
        self._attempts = 0
        self._choked, self._deaths = 0, 0
        self._told = 0.0
        self._ending: bytes | None = None
        self._ending_sent = False
        self._path: asyncio.Future[Path] = self._loop.create_future()
        self._closing = False
        self._letting_go: asyncio.Handle | None = None

    async def begin(self, how: str) -> None:
        """Start the first process, which makes the folder, or takes up the record in it.

        `how` is "create" or "resume". Raises InputError, StorageError.
        """
        self._child = child = await self._open(how)
        received, self.counted = child.ready.result()
        self.backlog = Backlog(received)
        # Held here and awaited in `close`: it outlives the call.
        self._task = self._loop.create_task(self._keep(child), name="recorder")
        self._task.add_done_callback(self._left_alone)

    @property
    def pid(self) -> int | None:
        """Process id of the recorder; None while there is none."""
        return self._child.pid if self._child else None

    def send(self, message: bytes, *, owes: bool, replaces: str) -> None:
        """Send the message of the next number; for some the recorder `owes` an answer.

        One that `replaces` the last of a kind spares that from being sent any more.
        """
        self.backlog.add(message, replaces=replaces)
        if owes:
            if self._asked <= self.backlog.durable:
                self._asked_at = self._loop.time()
            self._asked = self.backlog.last
        self._pump()

    async def finish(self, *arguments: object) -> Path:
        """Have the record finished; return the path of run.h5. Raises StorageError."""
        self._ending = pack(("finish", arguments))
        self._ending_sent = False
        self._asked_at = self._loop.time()
        self._path = self._loop.create_future()
        self._pump()
        try:
            path = await self._path
        finally:
            self._ending = None
        self._acknowledge(self.backlog.last)
        return path

    async def close(self) -> None:
        """Give the process all that waits, end its input and wait for it.

        It is killed once it is silent; where there is none, the next one is waited for as long.
        That it works, where it is making run.h5, is no word: a dead disk lets nothing be made.
        """
        task = self._task
        if task is None:
            return
        since = self._told = self._loop.time()
        while self._child is None and not task.done() and not self._quiet(since):
            await asyncio.wait({task}, timeout=FIRST_WAIT)
        self._closing = True
        child = self._child
        if child is not None:
            self._pump(paused=False)
            child.end_input()
            while not task.done() and not self._quiet(self._told):
                await asyncio.wait({task}, timeout=self._silence / 4)
            child.kill()
            # Killed in the middle of a call to a dead disk it may stay for ever; we do not.
            await asyncio.wait({task}, timeout=self._silence)
        task.cancel()
        await asyncio.wait({task}, timeout=self._silence)
        # It waits for the end of a process that it was starting.
        task.cancel()
        await asyncio.wait({task})

    def _quiet(self, since: float) -> bool:
        return self._loop.time() - since > self._silence

    def _pump(self, *, paused: bool = True) -> None:
        """Send what the recorder takes; all of it, whether or not it is `paused`, at the end."""
        child = self._child
        while child is not None and not (paused and child.paused):
            message = self.backlog.next_unsent()
            if message is not None:
                child.write(message)
                continue
            if self._ending is not None and not self._ending_sent:
                self._ending_sent = True
                child.write(self._ending)
            return

    def _heard(self, message: Message) -> None:
        if message != ("working",):
            self._told = self._loop.time()
        match message:
            case ("durable", number, counted):
                self._attempts, self.said = 0, ""
                self.counted = max(self.counted, counted)
                self._acknowledge(number)
            case ("trouble", text):
                first, self.said = not self.said, text
                if first:
                    self.note(text)
            case ("noted", text):
                self.note(text)
            case ("choked", number, text):
                self._drop(number, text)
            case ("left out", text):
                self.lost(f"{self._folder}: {text}")
            case ("finished", path) if not self._path.done():
                self._closing = True
                self._path.set_result(Path(path))
            case ("unfinished", text) if not self._path.done():
                self._path.set_exception(StorageError(text))

    def _drop(self, number: int, text: str) -> None:
        """Count a death of a message; drop a message that no recorder survives."""
        self._deaths = self._deaths + 1 if number == self._choked else 1
        self._choked = number
        if self._deaths >= DEATHS_OF_ONE:
            self.backlog.empty(number)
            self.note(f"message {number} is not recorded, {self._deaths} recorders died of: {text}")

    def _acknowledge(self, number: int) -> None:
        self.backlog.acknowledge(number)
        self.durable(number)
        if self._letting_go is None:
            self._let_go()

    def _let_go(self) -> None:
        """Free what is durable, a little in each turn of a loop that serves a rig."""
        more = self.backlog.let_go()
        self._letting_go = self._loop.call_soon(self._let_go) if more else None

    async def _open(self, how: str) -> Child:
        """Start a process that has the journal open. Raises InputError, StorageError."""
        first = (how, str(self._folder), self._header.to_json())
        child = await Child.start(self._command, first, self._heard, self._pump)
        try:
            await self._begun(child)
        except BaseException:
            # Nobody may open the journal before this process is gone, however long that takes.
            child.kill()
            await asyncio.wait({child.gone})
            child.ready.exception()
            raise
        return child

    async def _begun(self, child: Child) -> None:
        within = max(self._silence, START_WITHIN)
        await asyncio.wait({child.ready}, timeout=within)
        if not child.ready.done():
            raise StorageError(f"{self._folder}: the recorder did not begin in {within:g} s")
        child.ready.result()

    async def _keep(self, child: Child) -> None:
        """Replace the recorder whenever it ends, until the record is closed."""
        while True:
            end = await self._end_of(child)
            if self._closing:
                return
            self._child = None
            self.note(f"recorder process {child.pid} {end}")
            child = await self._another()
            number, counted = child.ready.result()
            if number < self.backlog.durable:
                # What was acknowledged is on the disk that held it, not here.
                self.lost(
                    f"{self._folder}: this is an older copy of the record: it holds message "
                    f"{number}, {self.backlog.durable} were acknowledged; put the newer one back"
                )
            self.counted = max(self.counted, counted)
            self.said = ""
            self._acknowledge(number)
            self.backlog.send_again()
            self._ending_sent = False
            self._child = child
            self.note(
                f"recorder process {child.pid} goes on after message {number}, "
                f"started at attempt {self._attempts}"
            )
            self._pump()

    async def _end_of(self, child: Child) -> str:
        """Wait until a process is gone, killing it if it is silent; return how it ended."""
        silent = ""
        while not child.gone.done():
            await asyncio.wait({child.gone}, timeout=self._silence / 4)
            if not (child.gone.done() or self._closing) and self._is_silent(child):
                silent = f"was silent for {self._silence:g} s and "
                child.kill()
        return silent + ended(child.gone.result())

    def _is_silent(self, child: Child) -> bool:
        owes = self._asked > self.backlog.durable or self._ending is not None
        return owes and self._quiet(max(child.last_heard, self._asked_at))

    async def _another(self) -> Child:
        """Return the next recorder process, however many attempts it takes."""
        while True:
            await asyncio.sleep(min(FIRST_WAIT * 2 ** min(self._attempts, 10), LONGEST_WAIT))
            self._attempts += 1
            if self._attempts > ATTEMPTS_TO_FINISH and self._ending and not self._path.done():
                self._path.set_exception(
                    StorageError(
                        f"{self._folder}: run.h5 was not made in {ATTEMPTS_TO_FINISH} attempts: "
                        f"{self.said or 'the recorder process died each time'}; "
                        "what was committed is in the journal"
                    )
                )
            try:
                return await self._open("resume" if self._ending is None else "reopen")
            except (StorageError, InputError) as error:
                self.said = str(error)

    def _left_alone(self, task: asyncio.Task[None]) -> None:
        if not task.cancelled() and (error := task.exception()) is not None:
            self.lost(f"{self._folder}: nobody keeps the recorder any more: {error!r}")


def _ignore(_said: object) -> None:
    pass
