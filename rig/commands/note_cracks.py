"""`nightrig note --cracks`: asks for each crack known so far, then for new ones.

Each answer is written before the next crack is asked for, so that nothing is lost where the
prompts are broken off.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from rig.commands.asking import asked
from rig.commands.folders import place as place_of
from rig.commands.note_prompts import (
    ASIDE,
    LEAVE,
    Left,
    PassedOver,
    line,
    number,
    say,
    word,
    words_of,
    yes,
)
from rig.commands.note_said import NOT_READ, line_of, refuse_no_stand
from rig.control.address import find_socket
from rig.control.caller import LiveRun, NoAnswer, look_at
from rig.control.crack_log import ENDS, CrackGiven, CrackLog
from rig.control.states import PEOPLE_NEAR
from rig.errors import InputError, RigError, StorageError
from rig.record.crack_words import millimetres, place
from rig.record.cracks import DIRECTIONS, FACES, CrackEntry, read_cracks
from rig.record.history import read_journal

_SIDES: Final = ("front", "back")
"""Faces on which a tip has a height that grows."""
_NOUNS: Final = {"width": "width", "length": "length", "height": "tip"}
_MARKS: Final = "marks the cracks"
"""The note that holds an inspection while somebody answers."""

Ask = Callable[[], str | float]
"""Asks a question; returns the answer, NaN or "" for none. Raises PassedOver and Left."""
Write = Callable[[CrackGiven], str]
"""Writes what is given; returns what is said of it. Raises InputError where it is refused."""


@dataclass(slots=True)
class Asking:
    """The prompts of one map: `write` writes an answer, `written` counts them.

    `log` holds what is known of the cracks and of the specimen, `read_at` the count of an earlier
    inspection that the map is of. `hint` is said at the end.
    """

    log: CrackLog
    write: Write
    read_at: int | None = None
    hint: str = ""
    written: int = 0

    def known(self) -> None:
        """Ask for each crack that is known. Raises Left."""
        cracks = self.log.known()
        for count, crack in enumerate(cracks, start=1):
            say(f"{count} of {len(cracks)}: {place(crack)}; {_last(crack)}")
            with suppress(PassedOver):
                while not self._read(crack):
                    pass

    def _read(self, crack: CrackEntry) -> bool:
        """Ask for one crack that is known; tell whether that is done."""
        values: dict[str, Any] = {"crack": crack.crack, "face": crack.face}
        for name, ask in _of_known(crack).items():
            self._add(values, name, ask)
        for name in ("width", "length", "height"):
            before, now = getattr(crack, name), values.get(name, math.nan)
            if now < before and not yes(
                f"  {_NOUNS[name]} was {millimetres(before)}, now {millimetres(now)}: cracks do "
                "not heal; keep it"
            ):
                return False
        return self._written(values)

    def new(self) -> None:
        """Ask for new cracks until there are no more. Raises Left."""
        while label := line("New crack, its label (Enter: no more): "):
            with suppress(PassedOver):
                self._new(label)

    def _new(self, label: str) -> None:
        values: dict[str, Any] = {}
        self._add(values, "crack", lambda: label)
        self._add(values, "face", lambda: word("  face", FACES, needed=True))
        for name, ask in _of_new(values["face"]).items():
            self._add(values, name, ask)
        while not self._written(values):
            # What was read is not typed again for a label that is another crack's.
            again = line("  another label for it (Enter: it is left out): ")
            if not again:
                raise PassedOver
            values["crack"] = again

    def _add(self, values: dict[str, Any], name: str, ask: Ask) -> None:
        """Add what is answered, once it can be. Raises PassedOver."""
        while True:
            answer = ask()
            try:
                self.log.check({**values, name: answer})
            except InputError as error:
                say(f"  {error}")
                if name == "crack":  # which was typed before
                    raise PassedOver from error
                continue
            if answer != "":
                values[name] = answer
            return

    def _written(self, values: dict[str, Any]) -> bool:
        try:
            said = self.write(CrackGiven(values, read_at=self.read_at))
        except InputError as error:
            say(f"  refused: {error}")
            return False
        self.written += 1
        say(f"  {said}")
        return True


def _of_known(crack: CrackEntry) -> dict[str, Ask]:
    """Return what is asked of a crack that is known: what may have grown, and what is missing."""
    questions: dict[str, Ask] = {
        "width": lambda: number("  width"),
        "length": lambda: number("  length"),
    }
    if crack.face in _SIDES and crack.direction != "longitudinal":
        questions["height"] = lambda: number("  tip above the soffit")
    if not crack.direction:
        questions["direction"] = lambda: word("  direction", DIRECTIONS)
    questions["lost"] = lambda: words_of("  lost material (Enter: none)")
    return questions


def _of_new(face: str) -> dict[str, Ask]:
    questions: dict[str, Ask] = {
        "position": lambda: number("  place from the left support", needed=True),
        "direction": lambda: word("  direction", DIRECTIONS),
        "height": lambda: number("  tip above the soffit"),
        "width": lambda: number("  width"),
        "length": lambda: number("  length"),
        "lost": lambda: words_of("  lost material (Enter: none)"),
    }
    without = "position" if face in ENDS else "height" if face not in _SIDES else ""
    return {name: ask for name, ask in questions.items() if name != without}


def ask_for_cracks(folder: Path, who: str, read_at: int | None = None) -> int:
    """Ask for the cracks of a run, live or ended; return the exit code.

    `read_at` is the count of the earlier inspection that they were read at. Raises InputError where
    there is no such run, StorageError where it cannot be written.
    """
    if read_at:
        refuse_no_stand(folder, read_at)
    with _writing(folder, who) as asking:
        asking.read_at = read_at
        say(
            f'Lengths in mm, or with a unit. Enter: {NOT_READ}. "{ASIDE}": the crack is passed '
            f'over. "{LEAVE}" alone: leave.'
        )
        try:
            asking.known()
            asking.new()
        except (Left, KeyboardInterrupt):
            say("")
            say("left")
    readings = "reading" if asking.written == 1 else "readings"
    say(f"{folder}: {asking.written} {readings} written down{asking.hint}")
    return 0


@contextmanager
def _writing(folder: Path, who: str) -> Iterator[Asking]:
    """Give the prompts of a run: the cracks known of it and what writes a reading of one."""
    # Imported late: they read plans.
    from rig.commands.note_ended import held, section_of

    path = find_socket(folder)
    run = look_at(path) if path is not None else None
    if run is not None:
        hint = _hold(run, who)
        with read_journal(folder) as journal:
            log = CrackLog(section_of(folder), read_cracks(journal))
        yield Asking(log, lambda given: _ask_live(run, given, who), hint=hint)
        return
    found = place_of(folder)
    if found.kind != "ended":
        raise InputError(f"{found.text}; nothing was written")
    with held(folder, who) as ended:
        for text in ended.told:
            say(text)
        yield Asking(ended.log, lambda given: ended.write(given, ""))
        say("run.h5 is being made anew")


def _hold(run: LiveRun, who: str) -> str:
    """Hold an inspection that waits before anything is asked; return what is said at the end.

    It would go on by itself while somebody stands at the specimen and answers.
    """
    state = run.told.get("state")
    if state == "waiting":
        _asked(run, {"ask": "note", "who": who, "text": _MARKS})
        say("The inspection is held.")
    if state in PEOPLE_NEAR:
        return "; nobody near it any more? go on with: nightrig continue"
    say("It moves or may move: stay out. What is written now counts as read when it stood last.")
    return ""


def _ask_live(run: LiveRun, given: CrackGiven, who: str) -> str:
    """Ask a live run to write a reading; return its words.

    Raises InputError where it refuses, StorageError where it cannot record it, RigError where
    it ended.
    """
    return _asked(run, {"ask": "note", "who": who, "crack": line_of(given)})


def _asked(run: LiveRun, message: dict[str, object]) -> str:
    """Ask a live run; return its words. Raises like `_ask_live`."""
    try:
        answers = asked(run, message)
    except NoAnswer as error:
        raise RigError(f"{run.folder}: the run ended before it answered") from error
    if answers["answer"] != "acted":
        raise InputError(answers["text"])
    if not answers["recorded"]:
        raise StorageError(f"{answers['text']}; not recorded: {answers['trouble']}")
    return str(answers["text"])


def _last(crack: CrackEntry) -> str:
    width, length, tip = (
        NOT_READ if math.isnan(value) else millimetres(value)
        for value in (crack.width, crack.length, crack.height)
    )
    read = f"last at cycle {crack.cycle:,}: width {width}, length {length}"
    return f"{read}, tip {tip}" if crack.face in _SIDES else read
