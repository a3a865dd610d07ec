"""A series file held against itself: groups that are known, entries that say enough, once each."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from typing import Final

from rig.protocol.document import Document, meant
from rig.protocol.fields import UNREAD
from rig.protocol.position import Path
from rig.protocol.series import FACTORS
from rig.protocol.series_tables import LifeTable, SeriesFile, UltimateTable
from rig.units import shown

EXPOSURES: Final = ("dry", "spray", "submerged")
GROUP_KEYS: Final = ("exposure", "specimen", "geometry", "independent", *FACTORS)
"""Keys of a group that mean something here; others are factors of a person's own."""
_NAME: Final = re.compile(r"[\w .,+()-]{1,60}")


def check_series(document: Document, file: SeriesFile) -> None:
    """Note what contradicts itself in a series file, and what says too little."""
    _check_groups(document, file)
    _check_members(document, file)
    for index, life in enumerate(file.life):
        if life is not None:
            _check_life(document, ("life", index), life)
    for index, ultimate in enumerate(file.ultimate):
        if ultimate is not None:
            _check_ultimate(document, ("ultimate", index), ultimate)
    _check_once(document, file)


def _check_groups(document: Document, file: SeriesFile) -> None:
    for name, factors in file.groups.items():
        if not _NAME.fullmatch(name):
            document.refuse(
                ("groups", name),
                f"{shown(name)} is no name of a group",
                "use 1 to 60 letters, digits, spaces and . , + - ( ) _ only",
            )
        for key, value in factors.items():
            _check_factor(document, ("groups", name, key), value)


def _check_factor(document: Document, path: Path, value: object) -> None:
    key = str(path[-1])
    near = difflib.get_close_matches(key, GROUP_KEYS, n=1, cutoff=0.8)
    if near and key not in GROUP_KEYS:
        document.refuse(path, "is not known here", f'did you mean "{near[0]}"?')
    elif value is UNREAD:
        return
    elif key == "exposure" and value not in EXPOSURES:
        document.refuse(
            path, f"{shown(value)} is no exposure", 'give "dry", "spray" or "submerged"'
        )
    elif key == "independent" and not isinstance(value, bool):
        document.refuse(
            path, f"{shown(value)} is neither true nor false", "write true or false without quotes"
        )
    elif not isinstance(value, str | int | float) or not str(value).isprintable():
        document.refuse(
            path, f"{shown(value)} is no factor of a group", 'write one value in quotes: "..."'
        )


def entries(file: SeriesFile) -> Iterator[tuple[Path, LifeTable | UltimateTable]]:
    """Yield the lives and ultimate loads of a file with their places."""
    for kind, tables in (("life", file.life), ("ultimate", file.ultimate)):
        for index, table in enumerate(tables):
            if table is not None:
                yield (kind, index), table


def _check_members(document: Document, file: SeriesFile) -> None:
    """Note entries of groups that are not there."""
    if "groups" in document.unread:
        return
    for path, table in entries(file):
        if table.group and table.group not in file.groups:
            document.refuse(
                (*path, "group"),
                f"{shown(table.group)} is no group here",
                meant(table.group, file.groups),
            )


def _check_life(document: Document, path: Path, life: LifeTable) -> None:
    told = life.run or None not in (life.level, life.cycles, life.outcome)
    if not told and "life" not in document.unread:
        document.refuse(
            path,
            "says too little",
            'give level = "70 %", cycles = "162000 cycles" and outcome = "failure", or run',
        )
    if life.outcome == "run-out" and life.mode:
        document.refuse(
            (*path, "mode"), "is how it failed, and it ran out", 'take it out, or outcome "failure"'
        )
    low, high = life.concrete_min, life.concrete_max
    if low is not None and high is None and "life" not in document.unread:
        document.refuse(
            (*path, "concrete_min"), "needs concrete_max beside it", 'add concrete_max = "60 %"'
        )
    elif low is not None and high is not None and low >= high:
        document.refuse(
            (*path, "concrete_min"),
            f"{document.written((*path, 'concrete_min'))} is not below concrete_max, "
            f"{document.written((*path, 'concrete_max'))}",
            "give the smaller stress of the cycle",
        )
    held, stood = life.unloaded, life.interruptions
    if held is not None and stood is not None and held > stood:
        document.refuse(
            (*path, "unloaded"),
            f"{document.written((*path, 'unloaded'))} is more than all interruptions, "
            f"{document.written((*path, 'interruptions'))}",
            "give that part of them in which it carried no load",
        )
    _check_void(document, path, life)


def _check_ultimate(document: Document, path: Path, ultimate: UltimateTable) -> None:
    if (ultimate.load is None) == (ultimate.run is None):
        document.refuse(path, "needs load or run, one of them", 'add load = "132 kN"')
    _check_void(document, path, ultimate)


def _check_void(document: Document, path: Path, table: LifeTable | UltimateTable) -> None:
    if path[0] in document.unread:
        return
    if not table.valid and not table.void_reason:
        document.refuse((*path, "valid"), "is false without a reason", 'add void_reason = "..."')
    if table.valid and table.void_reason:
        document.refuse(
            (*path, "void_reason"), "is there, and valid is not false", "add valid = false"
        )


def _check_once(document: Document, file: SeriesFile) -> None:
    """Note specimens with two lives, or with an ultimate load that none can have."""
    lives: dict[str, tuple[Path, LifeTable]] = {}
    loads: dict[str, Path] = {}
    for path, table in entries(file):
        name = table.specimen
        if not name:
            continue
        if isinstance(table, LifeTable):
            if name in lives:
                document.refuse(
                    (*path, "specimen"),
                    f"{shown(name)} has a life already, in line {document.line(lives[name][0])}",
                    "a specimen has one; going on at another level is another test, of a specimen "
                    "fatigued before: leave it out",
                )
            lives.setdefault(name, (path, table))
            continue
        if name in loads:
            document.refuse(
                (*path, "specimen"),
                f"{shown(name)} has an ultimate load already, in line {document.line(loads[name])}",
                "a specimen breaks once: keep one of the two",
            )
        loads.setdefault(name, path)
        if name in lives:
            _check_residual(document, path, table, lives[name][1])


def _check_residual(
    document: Document, path: Path, ultimate: UltimateTable, life: LifeTable
) -> None:
    if {"life", "ultimate"} & document.unread:
        return
    if life.outcome == "failure":
        document.refuse(
            (*path, "specimen"),
            f"{shown(ultimate.specimen)} has failed under cycles",
            "take out this load, or its life",
        )
    elif not ultimate.residual:
        document.refuse(
            path,
            f"{shown(ultimate.specimen)} was under cycles before",
            "add residual = true: it is no companion",
        )
