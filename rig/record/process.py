"""The recorder as a process of its own: reads messages, writes the journal, says what is durable.

Started by `RemoteRecorder` as `python -m rig.record.process`. It ends when its input ends, which
is when the runner has closed it or died; nothing else ends it short of SIGKILL.
"""

from __future__ import annotations

import os
import select
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final

from rig.clock import real_seconds
from rig.errors import InputError, StorageError
from rig.record import plain
from rig.record.entries import Field, RunHeader, tables
from rig.record.history import Journal
from rig.record.journal import JOURNAL, settle
from rig.record.recorder import COMMIT_EVERY, Recorder, complete
from rig.record.wire import Message, Unpacker, commits, pack, unpacked_rows

RETRY: Final = 1.0
"""How long after a refused commit it is tried again [s]."""
BEAT: Final = 0.5
"""How often a recorder that makes run.h5 says that it works [s]."""
LONG_LOG: Final = 256_000_000
"""A log so long [B] that people are told, and told again each time it has doubled."""
NICE: Final = 5
PIPE: Final = 2**20


class _Ended(Exception):
    """There is nothing more to do in this process."""


class Service:
    """Takes messages and gives answers for one run."""

    def __init__(self, incoming: int, answers: int) -> None:
        self._incoming = incoming
        self._answers = answers
        self._folder = Path()
        self._fields: tuple[Field, ...] = ()
        self._recorder: Recorder | None = None
        self._taken = 0
        self._journal: tuple[int, int] | None = None
        self._due: float | None = None
        self._refused = False
        self._long_log = LONG_LOG

    def run(self) -> None:
        """Serve until the input ends, then commit what there is."""
        unpacker = Unpacker()
        with suppress(_Ended):
            while data := self._read():
                for message in unpacker.feed(data):
                    self._take(message)
        self._close()

    def _read(self) -> bytes:
        """Return the next bytes, b"" at the end; commit meanwhile what is due."""
        while True:
            wait = None if self._due is None else max(self._due - real_seconds(), 0.0)
            ready, _, _ = select.select([self._incoming], [], [], wait)
            if self._due is not None and real_seconds() >= self._due:
                self._commit()
            if ready:
                with suppress(ConnectionError):
                    return os.read(self._incoming, PIPE)
                return b""

    def _take(self, message: Message) -> None:
        match message:
            case ("create" | "resume" | "reopen" as how, folder, header):
                self._begin(how, Path(folder), RunHeader.from_json(header))
            case ("finish", arguments):
                self._finish(*arguments)
            case (number, method, arguments):
                self._apply(number, method, arguments)

    def _begin(self, how: str, folder: Path, header: RunHeader) -> None:
        self._folder = folder
        self._fields = tables(header)["cycles"]
        try:
            if how == "create":
                self._recorder = Recorder.create(folder, header)
            elif how == "resume" or not self._has_ended():
                self._recorder = Recorder.reopen(folder, header)
                self._taken = self._recorder.received
        except (InputError, StorageError) as error:
            self._answer("refused", type(error).__name__, str(error))
            raise _Ended from error
        self._journal = _identity(folder / JOURNAL)
        self._answer("ready", self._taken, self._recorder.counted if self._recorder else 0)

    def _has_ended(self) -> bool:
        # The recorder before this one may have died between the ending and run.h5.
        with Journal(self._folder) as journal:
            self._taken = journal.received
            return journal.ending is not None

    def _apply(self, number: int, method: str, arguments: Message) -> None:
        recorder = self._recorder
        if recorder is None:
            # The record has ended: what the keeper says of that is in nobody's way.
            self._taken = number
            if commits(method, arguments):
                self._answer("durable", number, 0)
            return
        self._taken = recorder.received = number
        if self._due is None:
            self._due = real_seconds() + COMMIT_EVERY
        try:
            self._record(recorder, method, arguments)
        except StorageError as error:
            self._answer("left out", str(error))
        except Exception as error:
            self._answer("choked", number, f"{method}: {type(error).__name__}: {_line(error)}")
            raise
        # A disk that refuses is asked again in its own time, not at each message.
        if commits(method, arguments) and not self._refused:
            self._commit()

    def _record(self, recorder: Recorder, method: str, arguments: Message) -> None:
        match method:
            case "commit" | "nothing":
                pass
            case "event":
                recorder.add_event(*arguments)
            case "cycles" | "build_up":
                getattr(recorder, method)(unpacked_rows(self._fields, *arguments))
            case "restart_point":
                recorder.restart_point(plain.from_text(*arguments))
            case "status":
                recorder.add_status(*arguments)
            case _:
                getattr(recorder, method)(*arguments)

    def _commit(self) -> None:
        if self._recorder is None:
            return
        try:
            self._recorder.commit()
            self._in_its_place()
        except StorageError as error:
            self._refused, self._due = True, real_seconds() + RETRY
            self._answer("trouble", str(error))
            if _identity(self._folder / JOURNAL) not in (None, self._journal):
                # Its disk has come back as another one: a new process opens what is there now.
                raise
        else:
            self._refused, self._due = False, None
            self._answer("durable", self._taken, self._recorder.counted)
            self._look_at_log(self._recorder.log_size)

    def _in_its_place(self) -> None:
        """Raise StorageError where the journal that was written is not found by its name any more.

        A folder that was moved, or a disk taken off, takes all that is written and gives nothing
        back. What was written is on the disk once the same file is found again.
        """
        if _identity(self._folder / JOURNAL) != self._journal:
            raise StorageError(
                f"{self._folder / JOURNAL}: is gone from its place; put its folder or disk back"
            )

    def _look_at_log(self, size: int) -> None:
        if size >= self._long_log:
            self._long_log = 2 * size
            self._answer(
                "noted",
                f"{self._folder / JOURNAL}-wal has {size / 1e6:.3g} MB and grows: another program "
                "reads the journal and does not let go of it; end that program, or the disk fills",
            )

    def _finish(self, *ending: Any) -> None:
        try:
            with self._working():
                if self._recorder is None:
                    path = complete(self._folder)
                    settle(self._folder)
                else:
                    self._in_its_place()
                    path = self._recorder.finish(*ending)
        except StorageError as error:
            if self._recorder is not None and self._recorder.ended:
                self._recorder.abandon()
                self._recorder, self._due = None, None
            self._answer("unfinished", str(error))
            return
        self._answer("finished", str(path))
        self._recorder = None
        raise _Ended

    @contextmanager
    def _working(self) -> Iterator[None]:
        """Say again and again that the work goes on, and end at once if nobody listens."""
        done = threading.Event()

        def beat() -> None:
            while not done.wait(BEAT):
                if not self._answer("working"):
                    # The ending is committed or not; run.h5 can be made again from the journal.
                    os._exit(0)

        thread = threading.Thread(target=beat, name="working", daemon=True)
        thread.start()
        try:
            yield
        finally:
            done.set()
            thread.join()

    def _answer(self, *message: object) -> bool:
        """Write an answer; False if the runner is gone, which the end of the input tells too."""
        left = memoryview(pack(message))
        try:
            while left:
                left = left[os.write(self._answers, left) :]
        except ConnectionError:
            return False
        return True

    def _close(self) -> None:
        if self._recorder is not None:
            try:
                self._commit()
            finally:
                self._recorder.abandon()


def main() -> None:
    """Serve on standard input and output; errors are one line on standard error."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    # The control loop comes first where both want the processor.
    os.nice(NICE)
    answers = os.dup(1)
    # Whatever prints must not print among the answers.
    os.dup2(2, 1)
    try:
        Service(0, answers).run()
    except Exception as error:  # noqa: BLE001 - a person gets one line of whatever it was
        with suppress(OSError):
            os.write(2, f"recorder: {type(error).__name__}: {_line(error)}\n".encode())
        sys.exit(1)


def _identity(path: Path) -> tuple[int, int] | None:
    """Return which file a path names, None where it names none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _line(error: Exception) -> str:
    return " ".join(str(error).split())


if __name__ == "__main__":
    main()
