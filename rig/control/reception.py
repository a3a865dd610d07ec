"""The reception: takes people's requests as they come, answers them or hands them to the stage."""

from __future__ import annotations

from typing import Final

from rig.control.catch_can import catch_can
from rig.control.desk import Asked, Request
from rig.control.offsets import not_now
from rig.control.permit import not_from_afar
from rig.control.standing import Standing
from rig.control.states import possible
from rig.control.station import Station
from rig.control.stop_now import StopNow
from rig.errors import InputError
from rig.protocol.lab import FROM_AFAR

REFUSALS_A_MINUTE: Final = 20
"""So many refused requests are written in a minute, then only how many more there were."""
NOTES_A_MINUTE: Final = 60
"""So many notes are written in a minute; more are a program that has run wild."""
CRACKS_A_MINUTE: Final = 200
"""So many entries of the crack log: a map of 40 cracks on four faces that is pasted at once."""

STOPPING: Final = "the test is being stopped already"
_ENDS: Final = frozenset({"stopping", "stopped"})


class Lately:
    """How often something has happened within the last minute of test time."""

    def __init__(self, station: Station, most: int) -> None:
        self._stream = station.stream
        self._minute = station.stream.frames(60.0)
        self._most = most
        self._frames: list[int] = []

    def too_often(self) -> bool:
        """Tell whether it has happened as often as it may; if not, it happens now."""
        now = self._stream.now
        self._frames = [f for f in self._frames if now - f < self._minute]
        if len(self._frames) >= self._most:
            return True
        self._frames.append(now)
        return False


class Reception:
    """Takes the requests of one test. What needs the stage waits in the stream's `asked`."""

    def __init__(self, station: Station, standing: Standing) -> None:
        self._station, self._standing = station, standing
        self._book, self._stream = station.book, station.stream
        self._notes = Lately(station, NOTES_A_MINUTE)
        self._cracks = Lately(station, CRACKS_A_MINUTE)
        self._written = Lately(station, REFUSALS_A_MINUTE)
        self._unwritten = 0

    def take(self, asked: Asked) -> None:
        """Take a request: write a note, refuse what the state table has no step for, or stop."""
        request, state = asked.request, self._book.state
        who = request.asker
        if refusal := not_from_afar(request, self._station.plan.rig):
            asked.answer(done=False, text=refusal, state=state)
            self._refused(f"{request.verb} by {who} refused: {refusal}")
            return
        if not request.afar:  # who is elsewhere has not looked after the rig
            self._station.looked()
        if request.verb == "note":
            self._note(asked, who)
            return
        if request.verb == "stop" and state in _ENDS:
            asked.answer(done=True, text=STOPPING, state=state)
            self._refused(f"stop by {who}: {STOPPING}")
            return
        allowed, busy = possible(state), self._stream.unanswered
        refusal = ""
        if request.verb not in allowed:
            refusal = _not_now(state, allowed, afar=request.afar)
        elif busy and request.verb != "stop":
            refusal = f"{busy[0].request.verb} is being carried out; ask again"
        if refusal:
            asked.answer(done=False, text=refusal, state=state)
            self._refused(f"{request.verb} by {who} refused: {refusal}")
            return
        self._book.event("request", f"{request.verb} by {who}{_said(request.text)}")
        if request.verb == "stop":
            why = f"stopped by {who}{_said(request.text)}"
            raise StopNow("operator", "operator", why, asked=asked)
        self._stream.asked = asked

    def _note(self, asked: Asked, who: str) -> None:
        state = self._book.state
        of_crack = asked.request.crack is not None
        lately, most = (self._notes, NOTES_A_MINUTE)
        if of_crack:
            lately, most = self._cracks, CRACKS_A_MINUTE
        if lately.too_often():
            text = f"{most} notes within a minute are too many; say it once more later"
            asked.answer(done=False, text=text, state=state)
            self._refused(f"note by {who} refused: {text}")
            return
        if asked.request.moved:
            self._moved(asked, who)
            return
        try:
            text = self._written_down(asked.request)
        except InputError as error:
            asked.answer(done=False, text=str(error), state=state)
            return
        if state == "waiting":
            self._standing.acknowledged = f"note by {who}"
            text += "; the inspection waits for people now: continue lets it go on"
        asked.answer(done=True, text=text, state=state)

    def _moved(self, asked: Asked, who: str) -> None:
        """Have the reading of a sensor that was moved taken, which needs some seconds."""
        refusal, busy = not_now(self._station, asked.request.moved), self._stream.unanswered
        if busy and not refusal:
            refusal = f"{busy[0].request.verb} is being carried out; ask again"
        if refusal:
            asked.answer(done=False, text=refusal, state=self._book.state)
            self._refused(f"note by {who} refused: {refusal}")
            return
        self._stream.asked = asked

    def _written_down(self, request: Request) -> str:
        """Write down what somebody says, and a catch-can reading; return the answer in words.

        Raises InputError for a reading that cannot be; nothing is written then.
        """
        if request.crack is not None:
            return f"written down: {self._of_crack(request)}"
        spray = self._station.plan.spray
        by = f"{request.who}: " if request.who else ""
        answer = "written down"
        if request.catch_can is None and not request.text.strip():
            raise InputError("there is nothing to write down; give a text")
        if request.catch_can is not None:
            if spray is None:
                raise InputError("nothing is sprayed in this test; leave the catch can out")
            reading = catch_can(spray, request.catch_can, request.face)
            self._book.event("catch can", f"{by}{reading}")
            answer += f": {reading}"
        if request.text:
            self._book.event("note", f"{by}{request.text}")
        return answer

    def _of_crack(self, request: Request) -> str:
        """Write down what somebody gives of a crack. Raises InputError."""
        if request.crack is None or request.catch_can is not None:
            raise InputError("a crack and a catch-can reading are two notes")
        return self._book.crack(request.crack, request.who, request.text)

    def _refused(self, text: str) -> None:
        """Write down what nothing came of; of a storm of them only how many there were."""
        if self._written.too_often():
            self._unwritten += 1
            return
        if self._unwritten:
            text = f"{text} ({self._unwritten} other refusals since the last one written)"
        self._book.event("request", text)
        self._unwritten = 0


def _not_now(state: str, allowed: tuple[str, ...], *, afar: bool) -> str:
    if state in _ENDS:
        return f"{STOPPING}; nothing more can be asked for"
    here = tuple(verb for verb in allowed if verb in FROM_AFAR) if afar else allowed
    now = f"possible now: {', '.join(here)}" if here else "nothing can be asked for now"
    return f"not while {state}; {now}" + ("" if afar else "; a note always")


def _said(text: str) -> str:
    return f": {text}" if text else ""
