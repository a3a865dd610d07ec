"""The files as written that a record keeps, read by the names that its protocol gives them."""

from __future__ import annotations

import posixpath
import tomllib
from collections.abc import Callable, Mapping
from typing import Final

from rig.errors import StorageError

PROTOCOL: Final = "protocol.toml"
RIG: Final = "rig.toml"


def reader_of_kept(texts: Mapping[str, str], rig: str = RIG) -> Callable[[str], str]:
    """Return a reader of the files that a record keeps; `rig` is the path of its rig file.

    Raises ValueError where the protocol is no TOML; what it returns StorageError for a file that
    is not kept.
    """
    named = tomllib.loads(texts["protocol"])
    known = {
        PROTOCOL: texts["protocol"],
        rig: texts["rig"],
        posixpath.normpath(str(named.get("specimen", ""))): texts["specimen"],
    }

    def read(path: str) -> str:
        found = known.get(path, texts.get("series") or None)
        if found is None:
            raise StorageError(f"{path}: this file is not in the record of the run")
        return found

    return read
