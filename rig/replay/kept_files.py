"""The files that a record keeps, read again as a plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from rig.errors import InputError, StorageError
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan
from rig.record.kept_texts import PROTOCOL, RIG, reader_of_kept


def plan_of_kept(where: Path, texts: Mapping[str, str]) -> Plan:
    """Return the plan of the files that a record keeps. Raises InputError."""
    if not texts.get("protocol"):
        raise InputError(f"{where}: the recording keeps no protocol; name one with --protocol")
    try:
        return load_plan(PROTOCOL, RIG, reader_of_kept(texts))
    except StorageError as error:
        raise InputError(f"{where}: {_unkept(error)}") from error
    except (InputError, KeyError, ValueError) as error:
        raise InputError(
            f"{where}: this version cannot read the files that the record keeps; name a protocol "
            f"with --protocol; {error}"
        ) from error


def changed_plan(texts: Mapping[str, str]) -> Plan:
    """Return the plan of kept files after a person has changed them. Raises InputError."""
    try:
        return load_plan(PROTOCOL, RIG, reader_of_kept(texts))
    except StorageError as error:
        raise InputError(_unkept(error)) from error


def _unkept(error: StorageError) -> str:
    return (
        f"the record does not keep every file that its protocol names ({error}); name the run's "
        "folder with its journal, or a protocol with --protocol"
    )


def plan_on_rig(
    where: Path, texts: Mapping[str, str], protocol: str, read: Callable[[str], str]
) -> Plan:
    """Return the plan of a protocol on the rig file that a record keeps. Raises InputError."""
    rig = f"{where / RIG}, as recorded"
    return load_plan(protocol, rig, lambda path: texts["rig"] if path == rig else read(path))
