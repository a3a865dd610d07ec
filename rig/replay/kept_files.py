"""The files that a record keeps, read again as a plan."""

from __future__ import annotations

import posixpath
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

from rig.errors import InputError, StorageError
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan

PROTOCOL = "protocol.toml"
RIG = "rig.toml"


def plan_of_kept(where: Path, texts: Mapping[str, str]) -> Plan:
    """Return the plan of the files that a record keeps. Raises InputError."""
    if not texts.get("protocol"):
        raise InputError(f"{where}: the recording keeps no protocol; name one with --protocol")
    try:
        return changed_plan(texts)
    except (InputError, KeyError, ValueError) as error:
        raise InputError(
            f"{where}: this version cannot read the files that the record keeps; name a protocol "
            f"with --protocol; {error}"
        ) from error


def changed_plan(texts: Mapping[str, str]) -> Plan:
    """Return the plan of kept files after a person has changed them. Raises InputError."""
    return load_plan(PROTOCOL, RIG, reader_of_kept(texts))


def plan_on_rig(
    where: Path, texts: Mapping[str, str], protocol: str, read: Callable[[str], str]
) -> Plan:
    """Return the plan of a protocol on the rig file that a record keeps. Raises InputError."""
    rig = f"{where / RIG}, as recorded"
    return load_plan(protocol, rig, lambda path: texts["rig"] if path == rig else read(path))


def reader_of_kept(texts: Mapping[str, str]) -> Callable[[str], str]:
    """Return a reader of the files that a record keeps, by the names its protocol gives them.

    Raises ValueError where the protocol is no TOML.
    """
    named = tomllib.loads(texts["protocol"])
    known = {
        PROTOCOL: texts["protocol"],
        RIG: texts["rig"],
        posixpath.normpath(str(named.get("specimen", ""))): texts["specimen"],
    }

    def read(path: str) -> str:
        found = known.get(path, texts.get("series"))
        if found is None:
            raise StorageError(f"{path}: this file is not in the record of the run")
        return found

    return read
