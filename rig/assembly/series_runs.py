"""A series whose lives and ultimate loads are those of recorded runs.

What the file says holds; where the run says otherwise, that is a warning.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Final

from rig.assembly.run_told import RunTold, run_told
from rig.errors import InputError, Problem, StorageError
from rig.protocol.document import Document
from rig.protocol.load import load_series
from rig.protocol.position import Path as Place
from rig.protocol.position import locate
from rig.protocol.series import MODES, RUST, SAME_LEVEL, Life, Observation, Series, Ultimate
from rig.protocol.series_doubts import LONG_UNLOADED
from rig.record.cracks import NO_RUST
from rig.units import shown

LATE: Final = 100_000
"""Counted cycles after which any unloading is told. Common practice, no source."""
_DENIED: Final = ("no", "none", "not", "nothing", "without", "never", "free")
"""First words after which it is not told whether rust was seen."""


def read_series(path: str, read: Callable[[str], str]) -> Series:
    """Return a series with what its runs tell, and its warnings.

    `read` takes a path and returns its text. Raises InputError with every problem found.
    """
    series = load_series(path, read)
    runs = [life.run for life in series.lives] + [load.run for load in series.ultimates]
    if not any(runs):
        return series
    series, problems = with_runs(series, Path(path).parent, path, read(path))
    if problems:
        raise InputError(problems)
    return series


def with_runs(
    series: Series, folder: Path, file: str = "series", text: str = ""
) -> tuple[Series, list[Problem]]:
    """Return a series with what its runs tell, and what is wrong with them.

    A run is a folder or its run.h5, relative to `folder`; those of void entries are not looked at.
    `file` and `text` are the name and the
    text of the series file, for the lines of problems; warnings are added to those of the series.
    """
    document = Document(file, text, lines=locate(text))
    reading = _Reading(document, series, folder)
    lives = tuple(
        reading.life(("life", index), life) if life.run and life.valid else life
        for index, life in enumerate(series.lives)
    )
    ultimates = tuple(
        reading.ultimate(("ultimate", index), load) if load.run and load.valid else load
        for index, load in enumerate(series.ultimates)
    )
    warnings = (*series.warnings, *(str(warning) for warning in sorted(document.warnings)))
    observations = (*series.observations, *reading.observations)
    found = replace(
        series, lives=lives, ultimates=ultimates, observations=observations, warnings=warnings
    )
    return found, document.problems


class _Reading:
    """The runs of one series, each read once; what is wrong is noted in the document."""

    def __init__(self, document: Document, series: Series, folder: Path) -> None:
        self._document = document
        self._series = series
        self._folder = folder
        self._read: dict[Path, RunTold] = {}
        self._named: dict[tuple[str, Path], str] = {}
        self.observations: list[Observation] = []

    def life(self, place: Place, life: Life) -> Life:
        """Return a life with what its run tells."""
        told = self._told(place, life)
        if told is None:
            return life
        self._rust(place, life, told)
        if void := self._void(place, told):
            return replace(life, valid=False, void_reason=void)
        outcome = self._outcome(place, life, told)
        self._differs(place, "cycles", life.cycles, told.cycles, 0.5)
        self._differs(place, "level", life.level, told.level, SAME_LEVEL)
        level = told.level if life.level is None else life.level
        if level is None:
            self._document.refuse(
                (*place, "run"),
                "its record keeps no protocol that tells the load level",
                'add level = "70 %"',
            )
        mode = self._mode(place, life, told) if outcome != "run-out" else None
        if outcome == "run-out" and life.mode:
            self._document.refuse(
                (*place, "mode"), "is how it failed, and its run ran out", "take it out"
            )
        if told.unloaded > LONG_UNLOADED and life.unloaded is None:
            self._document.warn(
                (*place, "run"),
                f"stood {told.unloaded / 3600:.0f} h without load, over "
                f"{LONG_UNLOADED / 3600:.0f} h",
                "say so beside its life, or make it void with its reason",
            )
        late = [cycle for cycle in told.unloadings if cycle > LATE]
        if late:
            self._document.warn(
                (*place, "run"),
                f"was unloaded {len(late)} times after {LATE:,} cycles, first at {late[0]:,}",
                "say so beside its life, or make it void with its reason",
            )
        return replace(
            life,
            level=level,
            tendon_range=told.tendon_range if life.tendon_range is None else life.tendon_range,
            cycles=float(told.cycles) if life.cycles is None else life.cycles,
            outcome=outcome,
            mode=mode,
            overloaded=life.overloaded or told.overloaded,
            age=told.age if life.age is None else life.age,
            wet=told.wet if life.wet is None else life.wet,
            interruptions=told.interruptions if life.interruptions is None else life.interruptions,
            unloaded=told.unloaded if life.unloaded is None else life.unloaded,
        )

    def ultimate(self, place: Place, ultimate: Ultimate) -> Ultimate:
        """Return an ultimate load with what its run tells."""
        told = self._told(place, ultimate)
        if told is None:
            return ultimate
        self._rust(place, ultimate, told)
        if void := self._void(place, told):
            return replace(ultimate, valid=False, void_reason=void)
        load = told.ultimate
        if load is None and ultimate.residual:
            load = told.residual
        if load is None and told.residual is not None:
            self._document.refuse(
                (*place, "run"),
                "is of a specimen that ran out and was broken afterwards",
                "add residual = true",
            )
        elif load is None:
            self._document.refuse(
                (*place, "run"),
                f"ended with {shown(told.outcome)} and came to no ultimate load",
                "name the run of a static test to the ultimate load, or take it out",
            )
        return replace(
            ultimate,
            load=load,
            mode=self._mode(place, ultimate, told),
            age=told.age if ultimate.age is None else ultimate.age,
            wet=told.wet if ultimate.wet is None else ultimate.wet,
        )

    def _void(self, place: Place, told: RunTold) -> str:
        """Return why an entry is void by its run, "" where it is not or the file says it is valid.

        The file is asked for what it says, not for what holds where it says nothing.
        """
        if told.found.valid is not False:
            return ""
        reason = told.found.void_reason
        if (*place, "valid") in self._document.lines:
            self._document.warn(
                (*place, "valid"),
                f"is not what its run tells: it is void, {shown(reason)}",
                "leave it out where the run is right",
            )
            return ""
        self._document.warn(
            (*place, "run"),
            f"is void by its own record, {shown(reason)}, and is left out",
            "add valid = true where that is wrong",
        )
        return reason

    def _rust(self, place: Place, entry: Life | Ultimate, told: RunTold) -> None:
        """Add whether rust was seen after the end; what the file says holds."""
        said = told.found.rust
        if not said:
            return
        seen = said.casefold() != NO_RUST
        if seen and re.split(r"\W+", said.casefold())[0] in _DENIED:
            self._document.warn(
                (*place, "run"),
                f"does not tell whether rust was seen: {shown(said)}",
                f'correct the note to "{NO_RUST}", or add [[observation]] of it',
            )
            return
        before = [
            each.seen
            for each in (*self._series.observations, *self.observations)
            if (each.specimen, each.looked_for) == (entry.specimen, RUST)
        ]
        if not before:
            self.observations.append(Observation(entry.specimen, RUST, seen))
        elif seen not in before:
            self._document.warn(
                (*place, "run"),
                f"tells of rust {shown(said)}, and an observation that there is "
                f"{'some' if before[0] else 'none'}: the observation holds",
                "correct whichever is wrong",
            )

    def _mode(self, place: Place, entry: Life | Ultimate, told: RunTold) -> str | None:
        """Return how the specimen failed: as the file says, else as its run tells it."""
        mode = told.found.mode if told.found.mode in MODES else None
        if entry.mode and mode and entry.mode != mode:
            self._document.warn(
                (*place, "mode"),
                f"{shown(entry.mode)} is not what its run tells, {shown(mode)}",
                "leave it out where the run is right",
            )
        return entry.mode or mode

    def _told(self, place: Place, entry: Life | Ultimate) -> RunTold | None:
        """Return what the run of an entry tells, None where that is a problem."""
        path = self._folder / str(entry.run)
        try:
            if path not in self._read:
                self._read[path] = run_told(path)
        except StorageError as error:
            self._document.refuse((*place, "run"), str(error), "correct the path, or take it out")
            return None
        told = self._read[path]
        kind = str(place[0])
        first = self._named.setdefault((kind, path), entry.specimen)
        if first != entry.specimen:
            self._document.refuse(
                (*place, "run"), f"is the run of {shown(first)} too", "name its own run"
            )
        if told.specimen != entry.specimen:
            self._document.warn(
                (*place, "run"),
                f"is a run of specimen {shown(told.specimen)}, not {shown(entry.specimen)}",
                "look whether the path is right",
            )
        exposure = self._series.groups.get(entry.group, {}).get("exposure", told.exposure)
        if told.exposure and told.exposure != exposure:
            self._document.warn(
                (*place, "run"),
                f'was in exposure "{told.exposure}", and its group is "{exposure}"',
                "look whether path and group are right",
            )
        return told

    def _outcome(self, place: Place, life: Life, told: RunTold) -> str | None:
        ended = told.outcome in ("failure", "run-out")
        if life.outcome is None and not ended:
            how = f"ended with {shown(told.outcome)}" if told.outcome else "has no outcome"
            self._document.refuse(
                (*place, "run"),
                f"{how} at cycle {told.cycles:,}: neither failure nor run-out",
                'write outcome = "run-out" to count it as withdrawn there, or take it out',
            )
        if life.outcome is not None and life.outcome != told.outcome:
            self._document.warn(
                (*place, "outcome"),
                f"{shown(life.outcome)} is not what its run tells, {shown(told.outcome)}",
                "leave it out where the run is right",
            )
        return life.outcome or told.outcome

    def _differs(
        self, place: Place, key: str, given: float | None, told: float | None, most: float
    ) -> None:
        """Warn where a number that is written is not the one of the run."""
        if given is None or told is None or abs(given - told) < most:
            return
        words = f"{told:.1%}" if key == "level" else f"{told:,.0f}"
        self._document.warn(
            (*place, key),
            f"is not what its run tells, {words}",
            "leave it out where the run is right",
        )
