"""A test in real time that is looked at after each of its lives, and at its end."""

from __future__ import annotations

import contextlib
import os
import signal

from rig.errors import EXIT_CODES, RigError
from tests.endurance.case import Case
from tests.endurance.frames import Frame
from tests.endurance.invariants import Kept, cycles_lost, kept, missing, unsound


class Looking:
    """What was acknowledged to people, and what the record held after each life."""

    def __init__(self, case: Case, frame: Frame) -> None:
        self.case, self.frame = case, frame
        self.random = case.random()
        self.before: list[Kept] = []
        self._notes: list[str] = []

    def note(self) -> None:
        """Write a note, and remember it if it was acknowledged as recorded."""
        text = f"note {len(self._notes) + 1} of {self.case.name} {self.case.seed}"
        if self.frame.noted(text):
            self._notes.append(text)
            self.case.count("notes acknowledged")

    def looked(self) -> Kept | None:
        """Read the record, and name what is missing in it; None where it cannot be read."""
        try:
            now = kept(self.frame.out)
        except RigError as error:
            self.case.wrong.append(f"no record: {error}: {self.frame.log()}")
            return None
        for before in self.before:
            self.case.wrong += missing(before, now)
        self.before.append(now)
        texts = {entry[3].partition(": ")[2] for entry in now.entries["events"]}
        lost = [note for note in self._notes if note not in texts]
        self.case.wrong += [f"acknowledged and missing: {note}" for note in lost]
        return now

    def last_look(self, *, cut_at_the_end: bool) -> Kept | None:
        """Look at all that a test leaves behind, once nobody runs it any more."""
        case, frame = self.case, self.frame
        frame.until(lambda: not frame.left(), 10.0)
        case.wrong += [f"process left behind: {command}" for command in frame.left().values()]
        now = self.looked()
        if now is None:
            return None
        case.outcome, case.cycles, case.lost = now.outcome, now.cycles, cycles_lost(now)
        code, said = frame.answered("watch", str(frame.out))
        case.expect(code == EXIT_CODES.get(now.outcome), f"watch ended with {code}: {said}")
        case.wrong += unsound(frame.out, cut_at_the_end=cut_at_the_end)
        case.wrong += [f"still held: {what}" for what in frame.locked()]
        return now


def send(pid: int | None, number: signal.Signals) -> None:
    """Send a signal to a process that may just have ended."""
    if pid is not None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, number)
