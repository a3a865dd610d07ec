"""One line for a person out of what the disk, SQLite or HDF5 say; and the disk's own calls."""

from __future__ import annotations

import errno
import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from rig.errors import StorageError

FULL: Final = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
FULL_REMEDY: Final = "the disk is full or a size limit is reached; make room, then go on"
_NUMBER: Final = re.compile(r"\[Errno \d+\] |, errno = \d+")
"""What programmers alone can read; the words beside it say the same."""
LIBRARY_ERRORS: Final = (sqlite3.Error, OSError, RuntimeError, KeyError, ValueError, TypeError)
"""What sqlite3 and h5py raise; h5py turns HDF5's errors into any of the last five."""


def _remedy(error: BaseException, path: Path) -> str:
    code = getattr(error, "sqlite_errorname", "") or ""
    text = str(error)
    if (
        getattr(error, "errno", None) in FULL
        or code == "SQLITE_FULL"
        or any(os.strerror(number) in text for number in FULL)
    ):
        return FULL_REMEDY
    if code.startswith("SQLITE_IOERR"):
        return FULL_REMEDY + "; else see whether the disk is gone or read-only"
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return "another program holds the file; end it, then try again"
    if code in {"SQLITE_CORRUPT", "SQLITE_NOTADB"}:
        return "the file is damaged; keep a copy of the folder before anything else"
    if denied := _denied(path):
        return f"you may not {denied}: ask its owner"
    # Not Path.exists, which raises where the disk answers with an error.
    if not os.path.exists(path):
        return "see whether the folder or its disk is gone"
    return "see whether the disk is writable and the file whole"


def _denied(path: Path) -> str:
    """Return what this user lacks the right to on the way to a file or to SQLite's beside it."""
    for folder in reversed(path.absolute().parents):
        if os.path.isdir(folder) and not os.access(folder, os.X_OK, effective_ids=True):
            return f"enter {folder}"
    for file in (path, *(path.with_name(path.name + end) for end in ("-wal", "-shm"))):
        if os.path.exists(file) and not os.access(file, os.R_OK, effective_ids=True):
            return f"read {file}"
    return ""


@contextmanager
def storage(path: Path, doing: str) -> Iterator[None]:
    """Turn what the libraries raise inside into a StorageError that names path and remedy."""
    try:
        yield
    except LIBRARY_ERRORS as error:
        said = _NUMBER.sub("", " ".join(str(error).split())) or type(error).__name__
        message = f"{path}: cannot {doing}: {said}; {_remedy(error, path)}"
        raise StorageError(message) from error


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_file(path: Path) -> None:
    """Make a closed file's content durable."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def free_bytes(path: Path) -> int:
    """Return the bytes free to this user where a path lies or would lie.

    Raises StorageError if no folder above the path can be read.
    """
    place = path.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    with storage(place, "ask for free space"):
        return shutil.disk_usage(place).free
