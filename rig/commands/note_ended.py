"""What `nightrig note` writes into the record of a run that has ended."""

from __future__ import annotations

import signal
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from rig.clock import SystemClock
from rig.commands.note_said import Said
from rig.commands.usage import typed
from rig.control.crack_log import CrackGiven, CrackLog
from rig.control.lock import lock_folder
from rig.control.request_line import WORDS, clean
from rig.errors import InputError, StorageError
from rig.mechanics.specimen import Section
from rig.protocol.series import MODES
from rig.record.after_end import AfterEnd, added_after
from rig.record.crack_words import numbered
from rig.record.cracks import NO_RUST, CrackEntry
from rig.record.pictures import keep_picture

_UNKNOWN_SIZE: Final = "the size of the specimen is not known: nothing was held against it"


@dataclass(slots=True)
class Ended:
    """The crack log of an ended run, held to be written to; made by `held`."""

    record: AfterEnd
    log: CrackLog
    by: str
    told: list[str] = field(default_factory=list)

    def write(self, given: CrackGiven, text: str) -> str:
        """Write what is given of a crack; return what is said of it. Raises InputError."""
        new = self.record.new("", self.by, _now(), text)
        taken = self.log.add(given, new)
        self.record.add(taken.entry)
        said = numbered(taken.entry)
        return f"{said}; {taken.told}" if taken.told else said

    def found(self, said: Said, text: str) -> list[str]:
        """Write what was found after the end, and a text; return what is said of it."""
        entries = []
        for entry in self._facts(said, text):
            entries.append(replace(entry, number=self.log.number))
            self.log.keep(entries[-1])
        self.record.add(*entries)
        return [numbered(entry) for entry in entries]

    def _facts(self, said: Said, text: str) -> Iterator[CrackEntry]:
        new = self.record.new("after-test", self.by, _now())
        if said.mode:
            yield replace(new, fact="mode", text=self._mode(said.mode))
        if said.void:
            yield replace(new, fact="void", text=_clean(said.void, "--void"))
        if said.valid:
            yield replace(new, fact="valid")
        if said.wires_broken is not None:
            where = _clean(said.wires_where, "--wires-where") if said.wires_where else ""
            yield replace(new, fact="wires", wires=said.wires_broken, text=where)
        if said.rust:
            yield replace(new, fact="rust", text=_known(said.rust, (NO_RUST,), "--rust"))
        if text:
            yield replace(new, kind="words", text=text)

    def _mode(self, text: str) -> str:
        mode, ending = _known(text, MODES, "--mode"), self.record.ending
        if ending.outcome == "run-out" and ending.residual is None:
            raise InputError(f"--mode {mode!r} is how a specimen failed, and this one ran out")
        if mode not in MODES:
            self.told.append(f"a series knows no mode {mode!r}, but {', '.join(MODES)}")
        return mode


@contextmanager
def held(folder: Path, by: str) -> Iterator[Ended]:
    """Give an ended run to write to; its run.h5 is made anew at the end.

    Raises InputError and StorageError; what was written before stays.
    """
    lock = lock_folder(folder, SystemClock().utc())
    heard = signal.getsignal(signal.SIGINT)
    try:
        with added_after(folder) as record:
            section = section_of(folder)
            ended = Ended(record, CrackLog(section, record.entries), clean(by)[: WORDS["who"]])
            if section is None:
                ended.told.append(_UNKNOWN_SIZE)
            try:
                yield ended
            finally:
                # Some seconds, in which Ctrl-C would leave run.h5 behind what was written.
                signal.signal(signal.SIGINT, signal.SIG_IGN)
    finally:
        signal.signal(signal.SIGINT, heard)
        lock.release()


def write_ended(folder: Path, said: Said, text: str, by: str) -> tuple[list[str], list[str]]:
    """Write one note into an ended run; return what was written, and what is to be told.

    Raises InputError, where nothing was written, and StorageError, which says what was.
    """
    if said.catch_can is not None or said.moved:
        raise InputError(
            f"{folder}: a catch-can reading or a moved sensor belongs to a test that runs; nothing "
            "was written"
        )
    picture = keep_picture(folder, Path(said.picture)) if said.picture else None
    written: list[str] = []
    try:
        with held(folder, by) as ended:
            words = clean(text)
            if said.of_crack:
                sha256 = picture.sha256 if picture else ""
                written.append(ended.write(said.given(sha256), words))
            else:
                written += ended.found(said, words)
    except StorageError as error:
        if not written:
            raise
        raise StorageError(
            f"{'; '.join(written)}: written into the journal, but run.h5 could not be made anew: "
            f"{error}; once that is mended: nightrig resume {typed(folder)}"
        ) from error
    finally:
        if picture is not None and not written:
            picture.take_back()
    return written, ended.told


def section_of(folder: Path) -> Section | None:
    """Return the section of a run's specimen, None where its record keeps none."""
    from rig.replay.recording import open_recording

    try:
        with open_recording(folder) as recording:
            return recording.plan().specimen.section
    except InputError:
        return None


def _known(text: str, words: Iterable[str], option: str) -> str:
    """Return a known word as it is spelled, whatever its capitals; else the text."""
    said = _clean(text, option)
    return next((word for word in words if word.casefold() == said.casefold()), said)


def _clean(text: str, option: str) -> str:
    words, most = clean(text), WORDS["text"]
    if not words:
        raise InputError(f"{option}: there is nothing to read in it")
    if len(words) > most:
        raise InputError(f"{option} has {len(words):,} letters, it takes {most:,}: say it shorter")
    return words


def _now() -> str:
    return SystemClock().utc().isoformat(timespec="seconds")
