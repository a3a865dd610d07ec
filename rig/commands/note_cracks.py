"""`nightrig note --cracks`: asks for each crack known so far, then for new ones.

Each answer is written before the next crack is asked for, so that nothing is lost where the
prompts are broken off.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click

from rig.commands.asking import asked
from rig.commands.folders import place as place_of
from rig.commands.note_said import NOT_READ, line_of
from rig.commands.saying import folded
from rig.control.address import find_socket
from rig.control.caller import LiveRun, NoAnswer, look_at
from rig.control.crack_log import CrackGiven, CrackLog
from rig.control.request_line import clean
from rig.errors import InputError, RigError, StorageError
from rig.record.crack_words import millimetres, place
from rig.record.cracks import DIRECTIONS, FACES, CrackEntry, read_cracks
from rig.record.history import read_journal
from rig.units import UnitError, parse

_LEAVE: Final = "."
_ASIDE: Final = "s"

Write = Callable[[CrackGiven], str]
"""Writes what is given; returns what is said of it. Raises InputError where it is refused."""


class Left(Exception):
    """Whoever answers has left."""


@dataclass(slots=True)
class Asking:
    """The prompts of one map: `write` writes an answer, `written` counts them.

    `log` holds what is known of the cracks and of the specimen.
    """

    log: CrackLog
    write: Write
    written: int = 0

    def known(self) -> None:
        """Ask for each crack that is known. Raises Left."""
        cracks = self.log.known()
        for count, crack in enumerate(cracks, start=1):
            _say(f"{count} of {len(cracks)}: {place(crack)}; {_last(crack)}")
            while not self._read(crack):
                pass

    def _read(self, crack: CrackEntry) -> bool:
        """Ask for one crack that is known; tell whether that is done."""
        values: dict[str, Any] = {"crack": crack.crack, "face": crack.face}
        if not self._add(values, "width", lambda: _number("  width", aside=True)):
            return True
        self._add(values, "length", lambda: _number("  length"))
        for name in ("width", "length"):
            before, now = getattr(crack, name), values[name]
            if now < before and not _yes(
                f"  {name} was {millimetres(before)}, now {millimetres(now)}: cracks do not heal; "
                "keep it"
            ):
                return False
        return self._written(values)

    def new(self) -> None:
        """Ask for new cracks until there are no more. Raises Left."""
        while label := _line("New crack, its label (Enter: no more): "):
            self._new(label)

    def _new(self, label: str) -> None:
        values: dict[str, Any] = {}
        questions: dict[str, Callable[[], str | float | None]] = {
            "crack": lambda: label,
            "face": lambda: _word("  face", FACES, needed=True),
            "position": lambda: _number("  place from the left support", needed=True),
            "direction": lambda: _word("  direction", DIRECTIONS),
            "height": lambda: _number("  tip above the soffit"),
            "width": lambda: _number("  width"),
            "length": lambda: _number("  length"),
            "lost": lambda: _line("  lost material (Enter: none): "),
        }
        for name, ask in questions.items():
            if not self._add(values, name, ask):
                return
        self._written({name: value for name, value in values.items() if value != ""})

    def _add(
        self, values: dict[str, Any], name: str, ask: Callable[[], str | float | None]
    ) -> bool:
        """Add what is answered, once it can be; False where the crack is passed over."""
        while (answer := ask()) is not None:
            try:
                self.log.check({**values, name: answer})
            except InputError as error:
                _say(f"  {error}")
                if name == "crack":  # which was typed before
                    return False
            else:
                values[name] = answer
                return True
        return False

    def _written(self, values: dict[str, Any]) -> bool:
        try:
            said = self.write(CrackGiven(values))
        except InputError as error:
            _say(f"  refused: {error}")
            return False
        self.written += 1
        _say(f"  {said}")
        return True


def ask_for_cracks(folder: Path, who: str) -> int:
    """Ask for the cracks of a run, live or ended; return the exit code.

    Raises InputError where there is no such run, StorageError where it cannot be written.
    """
    with _writing(folder, who) as asking:
        _say(
            f'Lengths in mm, or with a unit. Enter: {NOT_READ}. "{_ASIDE}": the crack is passed '
            f'over. "{_LEAVE}" alone: leave.'
        )
        try:
            asking.known()
            asking.new()
        except (Left, KeyboardInterrupt):
            _say("")
            _say("left")
    _say(f"{folder}: {asking.written} readings written down")
    return 0


@contextmanager
def _writing(folder: Path, who: str) -> Iterator[Asking]:
    """Give the prompts of a run: the cracks known of it and what writes a reading of one."""
    # Imported late: they read plans.
    from rig.commands.note_ended import held, section_of

    path = find_socket(folder)
    run = look_at(path) if path is not None else None
    if run is not None:
        with read_journal(folder) as journal:
            log = CrackLog(section_of(folder), read_cracks(journal))
        yield Asking(log, lambda given: _ask_live(run, given, who))
        return
    found = place_of(folder)
    if found.kind != "ended":
        raise InputError(f"{found.text}; nothing was written")
    with held(folder, who) as ended:
        for text in ended.told:
            _say(text)
        yield Asking(ended.log, lambda given: ended.write(given, ""))
        _say("run.h5 is being made anew")


def _ask_live(run: LiveRun, given: CrackGiven, who: str) -> str:
    """Ask a live run to write a reading; return its words.

    Raises InputError where it refuses, StorageError where it cannot record it, RigError where
    it ended.
    """
    message: dict[str, object] = {"ask": "note", "who": who, "crack": line_of(given)}
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
    width, length = (
        NOT_READ if math.isnan(value) else millimetres(value)
        for value in (crack.width, crack.length)
    )
    return f"last at cycle {crack.cycle:,}: width {width}, length {length}"


def _number(question: str, *, needed: bool = False, aside: bool = False) -> float | None:
    """Return a length [m] that is typed, NaN for none; None where the crack is passed over."""
    while True:
        text = _line(f"{question}, mm: ")
        if aside and text.casefold() == _ASIDE:
            return None
        if (not text or text.casefold() == NOT_READ) and not needed:
            return math.nan
        try:
            # The question names the unit.
            return parse(f"{float(text)!r} mm" if _is_number(text) else text, "length")
        except UnitError as error:
            _say(f"  {text!r}: {error.problem}; {error.remedy}")


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _word(question: str, words: tuple[str, ...], *, needed: bool = False) -> str:
    """Return the one word that what is typed begins; "" for none."""
    while True:
        text = _line(f"{question} ({', '.join(words)}): ").casefold()
        if not text and not needed:
            return ""
        found = [word for word in words if text and word.startswith(text)]
        if len(found) == 1 or text in words:
            return text if text in words else found[0]
        _say(f"  {text!r}: type one of them, or as much of it as tells it from the others")


def _yes(question: str) -> bool:
    while True:
        answer = _line(f"{question} (y/n): ").casefold()
        if answer in ("y", "yes", "n", "no"):
            return answer.startswith("y")


def _line(prompt: str) -> str:
    """Return a line of the terminal. Raises Left at its end, or where somebody leaves."""
    click.echo(prompt, err=True, nl=False)
    try:
        line = sys.stdin.readline()
    except (OSError, UnicodeDecodeError):
        line = ""
    if not line or line.strip() == _LEAVE:
        raise Left
    return clean(line)


def _say(text: str) -> None:
    click.echo(folded(text, sys.stderr), err=True)
