"""What `nightrig note` was told by its options: checked, and turned into what is written."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import click

from rig.control.crack_log import ENDS, WORDS, CrackGiven, CrackLog
from rig.control.request_line import clean
from rig.control.states import PEOPLE_NEAR
from rig.errors import InputError
from rig.record.cracks import DIRECTIONS, FACES, read_cracks

NOT_READ: Final = "not read"
_LENGTHS: Final = {"at": "position", "tip": "height", "width": "width", "length": "length"}
"""Options of lengths, and the names of what they tell."""
_OF_CRACK: Final = (*_LENGTHS, "direction", "lost")
_AFTER: Final = ("mode", "void", "valid", "wires_broken", "wires_where", "rust")


@dataclass(frozen=True, slots=True)
class Said:
    """The options as they were typed; None, "" or False is what was not."""

    catch_can: str | None
    face: str
    moved: str
    crack: str
    at: str
    tip: str
    direction: str
    width: str
    length: str
    lost: str
    picture: str
    correct: int | None
    read_at: int | None
    withdraw: bool
    mode: str
    void: str
    valid: bool
    wires_broken: int | None
    wires_where: str
    rust: str

    @property
    def of_crack(self) -> bool:
        """Whether it goes into the crack log."""
        return bool(self.crack or self.picture or self.correct)

    @property
    def after_end(self) -> tuple[str, ...]:
        """The options that tell what was found after the end."""
        given = (name for name in _AFTER if getattr(self, name) not in ("", False, None))
        return tuple(f"--{name.replace('_', '-')}" for name in given)

    @property
    def needs_text(self) -> bool:
        """Whether there is nothing to write down without a text."""
        return not (self.catch_can is not None or self.of_crack or self.after_end)

    def check(self) -> None:
        """Raise UsageError for options that do not go together."""
        kinds = {
            "--catch-can": self.catch_can is not None,
            "--moved": bool(self.moved),
            "--crack, --picture or --correct": self.of_crack,
            "what is found after the end": bool(self.after_end),
        }
        several = [name for name, given in kinds.items() if given]
        if len(several) > 1:
            raise click.UsageError(
                f"{several[0]} and {several[1]} are two notes; write one after the other"
            )
        self._check_crack()
        if self.void and self.valid:
            raise click.UsageError("a test is --void or --valid, not both")
        if self.wires_where and self.wires_broken is None:
            raise click.UsageError("--wires-where needs --wires-broken: how many broke there?")

    def _check_crack(self) -> None:
        on_crack = bool(self.crack or self.correct)
        if self.face and not on_crack and self.catch_can is None:
            raise click.UsageError("--face belongs to --crack or to a --catch-can reading")
        if self.catch_can is not None and not self.face:
            raise click.UsageError("--face is missing: name the sprayed face of the reading")
        for name in _OF_CRACK:
            if getattr(self, name) and not on_crack:
                raise click.UsageError(f"--{name} belongs to a crack; give --crack LABEL too")
        if self.withdraw and not self.correct:
            raise click.UsageError("--withdraw needs the number of the entry: --correct N")

    def given(self, picture: str = "") -> CrackGiven:
        """Return what is given of a crack, with the hash of its `picture`. Raises InputError."""
        values: dict[str, Any] = {}
        for name, key in _LENGTHS.items():
            if text := getattr(self, name):
                values[key] = length(text, f"--{name}")
        words = {
            "crack": self.crack,
            "face": one_of(self.face, FACES),
            "direction": one_of(self.direction, DIRECTIONS),
        }
        for key, text in (words | {"lost": self.lost}).items():
            if text:
                values[key] = _words(text, key)
        if picture:
            values["picture"] = picture
        return CrackGiven(values, self.correct or 0, self.withdraw, self.read_at)


def one_of(text: str, words: tuple[str, ...]) -> str:
    """Return the one word that a text begins, whatever its capitals; else the text."""
    begun = text.strip().casefold()
    found = [word for word in words if begun and word.startswith(begun)]
    return found[0] if len(found) == 1 else text


def refuse_no_stand(folder: Path, cycle: int) -> None:
    """Refuse a count at which a run, live or not, did not stand. Raises InputError."""
    from rig.replay.recording import open_recording

    with open_recording(folder) as recording:
        rows = [*recording.entries("inspections"), *recording.entries("interruptions")]
        # An inspection is written when it is over: one that is under way is known by its state.
        states = [event for event in recording.events() if event.kind == "state"]
    near = {event.cycle for event in states if event.text.split(",")[0] in PEOPLE_NEAR}
    stood = sorted({int(row[1]) for row in rows} | near)
    if cycle not in stood:
        shown = ", ".join(f"{count:,}" for count in stood) or "none so far"
        raise InputError(f"--read-at {cycle}: the test did not stand there; it stood at {shown}")


def refuse_new_face(folder: Path, label: str, face: str) -> None:
    """Refuse a known crack without a place on a face where it is new. Raises InputError.

    A new label is refused where it is written; the faces at the ends have no place.
    """
    from rig.replay.recording import open_recording

    face = one_of(face, FACES)
    with open_recording(folder) as recording:
        known = CrackLog(None, read_cracks(recording)).known()
    same = [crack for crack in known if crack.crack.casefold() == label.strip().casefold()]
    if same and face in FACES and face not in (*ENDS, *(crack.face for crack in same)):
        raise InputError(
            f"{same[0].crack} is not known on {face} yet; give its place along the span too, --at; "
            "nothing was written"
        )


def length(text: str, what: str) -> float:
    """Return a length [m] given in words, NaN for "not read". Raises InputError."""
    from rig.units import UnitError, parse

    if " ".join(text.split()).casefold() == NOT_READ:
        return math.nan
    try:
        return parse(text, "length")
    except UnitError as error:
        raise InputError(f"{what} {text!r}: {error.problem}; {error.remedy}") from error


def _words(text: str, key: str) -> str:
    words, most = clean(text), WORDS[key]
    if not words:
        raise InputError(f"--{key} {text!r}: there is nothing in it that can be read")
    if len(words) > most:
        raise InputError(f"--{key} has {len(words):,} letters, it takes {most}: say it shorter")
    return words


def line_of(given: CrackGiven) -> dict[str, object]:
    """Return what is given of a crack as it is sent to a live run: null is what was not read."""
    values = {
        key: None if isinstance(value, float) and math.isnan(value) else value
        for key, value in given.values.items()
    }
    more = {"corrects": given.corrects} if given.corrects else {}
    if given.read_at is not None:
        more["read_at"] = given.read_at
    return {**values, **more, **({"withdrawn": True} if given.withdrawn else {})}
