"""One test at a time: locks of the operating system on a run folder and on a rig.

A lock ends with the process that holds it, however it ends. Its file says who holds it, so that
a refusal can name the holder.
"""

from __future__ import annotations

import contextlib
import fcntl
import getpass
import hashlib
import json
import os
import re
import stat
import tempfile
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from rig.errors import InputError, StorageError

MOST_READ: Final = 4096
SHARED_PLACES: Final = ("/run/lock", "/var/lock", "/tmp")  # noqa: S108  # a lock, no secret
OPEN_TO_ALL: Final = 0o1002


@dataclass(frozen=True, slots=True)
class Holder:
    """Who holds a lock: process, run folder, user, since when (ISO 8601, UTC)."""

    pid: int
    run: str
    user: str
    since: str

    def __str__(self) -> str:
        return f"{self.run} ({self.who})"

    @property
    def who(self) -> str:
        """Process, user and local time since when, for people."""
        if self == UNKNOWN:
            return "whose it is cannot be read"
        return f"process {self.pid}, user {self.user}, since {_local(self.since)}"


UNKNOWN: Final = Holder(0, "", "", "")
"""Somebody who may hold a lock: its file cannot be read."""


class Lock:
    """A lock that is held until it is released or the process ends.

    `clears` tells that the holder's name is taken out of the file then.
    """

    def __init__(self, handle: int, path: Path, *, clears: bool) -> None:
        self._handle = handle
        self._clears = clears
        self.path = path

    def release(self) -> None:
        """Let go; the file stays: taking it away would let two hold the lock."""
        if self._handle >= 0:
            if self._clears:
                with contextlib.suppress(OSError):
                    os.ftruncate(self._handle, 0)
            os.close(self._handle)
            self._handle = -1


def lock_folder(run: Path, since: datetime) -> Lock:
    """Lock a run folder that exists. Raises InputError naming the holder, StorageError."""
    # Nothing is written at the end: a disk that hangs must not keep the rig's lock from others.
    return _lock(run / "lock", f"{run}: the folder", 0o644, run, since, clears=False)


def folder_holder(run: Path) -> Holder | None:
    """Return who holds a run folder now, or None; UNKNOWN where that cannot be seen."""
    try:
        handle = os.open(run / "lock", os.O_RDONLY | os.O_CLOEXEC)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError:  # no right to look, too many open files, a disk that does not answer
        return UNKNOWN
    try:
        # An empty file is free or just being locked; a look must not come in between.
        if os.fstat(handle).st_size:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return _holder(handle) or UNKNOWN
    finally:
        os.close(handle)
    return None


def left_behind() -> tuple[Holder, ...]:
    """Return who holds or held a rig as this user, the newest first, as the locks' files say.

    A program that ends empties its lock's file: a holder that no longer holds was killed. Whether
    it does is not tried here, since a run that is just starting would find its rig taken; its
    folder's lock tells. Others may write to such a file: only folders of this user's count.
    """
    found = []
    for path in shared_folder().glob("nightrig-*.lock"):
        with contextlib.suppress(OSError):
            flags = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
            handle = os.open(path, flags)
            try:
                state = os.fstat(handle)
                holder = _holder(handle) if stat.S_ISREG(state.st_mode) else None
            finally:
                os.close(handle)
            if holder is not None and os.stat(holder.run).st_uid == os.getuid():
                found.append((state.st_mtime, holder))
    return tuple(holder for _, holder in sorted(found, key=lambda each: -each[0]))


def refuse_taken(run: Path) -> None:
    """Raise InputError where a new run's folder exists already or cannot be made.

    A live run in it is named. The folder above must be there: a slip in a long path would else
    put the record where nobody looks for it.
    """
    holder = folder_holder(run)
    if holder is not None and holder != UNKNOWN:
        raise InputError(
            f"{run}: the folder is in use by a live run ({holder.who}); nothing was started; "
            "name a new folder"
        )
    if os.path.lexists(run):
        raise InputError(f"{run}: already exists, nothing was written; name a new folder")
    above = run.absolute().parent
    # Not Path.is_dir, which raises where a folder on the way may not be entered.
    if not os.path.isdir(above):
        raise InputError(
            f"{above}: there is no such folder, nothing was written; make it first, or name another"
        )
    if not os.access(above, os.W_OK | os.X_OK):
        raise InputError(
            f"{above}: you may not write there, nothing was written; name another folder"
        )


def lock_rig(name: str, run: Path | str, since: datetime) -> Lock:
    """Lock a rig for every user of this machine, for a run or what else a text says.

    Raises as `lock_folder`.
    """
    path = shared_folder() / rig_file(name)
    return _lock(path, f"rig {name!r}", 0o666, run, since, clears=True)


def other_user(name: str, run: Path) -> str:
    """Return who has a rig that is not a run: the folder's name of another run, "" for nobody.

    Whether it does is told by that run's folder; where no run has it, by its process.
    """
    path = shared_folder() / rig_file(name)
    with contextlib.suppress(OSError):
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
        try:
            holder = _holder(handle) if stat.S_ISREG(os.fstat(handle).st_mode) else None
        finally:
            os.close(handle)
        if holder is None or holder.run == str(run.resolve()):
            return ""
        there = Path(holder.run)
        if there.is_absolute():
            return there.name if folder_holder(there) is not None else ""
        return holder.run if os.path.exists(f"/proc/{holder.pid}") else ""
    return ""


def rig_file(name: str) -> str:
    """Return the name of a rig's lock file."""
    readable = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40]
    digest = hashlib.sha256(name.encode()).hexdigest()[:8]
    return f"nightrig-{readable}-{digest}.lock"


def shared_folder() -> Path:
    """Return the folder that is the same for every user: the first that all may write to."""
    for place in map(Path, SHARED_PLACES):
        with contextlib.suppress(OSError):
            if place.stat().st_mode & OPEN_TO_ALL == OPEN_TO_ALL:
                return place
    return Path(tempfile.gettempdir())


def _lock(
    path: Path, what: str, mode: int, run: Path | str, since: datetime, *, clears: bool
) -> Lock:
    try:
        handle = _open(path, mode)
    except OSError as error:
        raise StorageError(
            f"{path}: cannot make the lock of {what}: {error.strerror}; see who owns the file"
        ) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        holder = _holder(handle) or "another process"
        os.close(handle)
        raise InputError(
            f"{what} is in use by {holder}; nothing was started; wait for its end or stop it first"
        ) from None
    holds = run if isinstance(run, str) else str(run.resolve())
    text = json.dumps(asdict(Holder(os.getpid(), holds, _user(), _stamp(since))))
    os.ftruncate(handle, 0)
    os.pwrite(handle, text.encode(), 0)
    return Lock(handle, path, clears=clears)


def _open(path: Path, mode: int) -> int:
    """Open a lock file for reading and writing, made if it is not there.

    Not in one call: Linux refuses to open with O_CREAT what belongs to somebody else in a folder
    that all may write to.
    """
    flags = os.O_RDWR | os.O_CLOEXEC | os.O_NOFOLLOW
    for _ in range(10):
        with contextlib.suppress(FileNotFoundError):
            handle = os.open(path, flags)
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                os.close(handle)
                raise OSError(0, "it is not a plain file")
            return handle
        with contextlib.suppress(FileExistsError):
            handle = os.open(path, flags | os.O_CREAT | os.O_EXCL, mode)
            os.fchmod(handle, mode)  # past the umask: other users must be able to lock it
            return handle
    raise OSError(0, "it comes and goes")


def _holder(handle: int) -> Holder | None:
    """Return what the holder wrote, or None: others may write to the file too."""
    with contextlib.suppress(OSError, ValueError, TypeError, KeyError):
        told = json.loads(os.pread(handle, MOST_READ, 0))
        words = [_plain(str(told[key])) for key in ("run", "user", "since")]
        return Holder(int(told["pid"]), *words)
    return None


def _plain(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)[:1000]


def _local(since: str) -> str:
    """Return a holder's stamp in local time, as it is where it is none."""
    try:
        return f"{datetime.fromisoformat(since).astimezone():%Y-%m-%d %H:%M}"
    except (ValueError, OverflowError):
        return since


def _stamp(since: datetime) -> str:
    return since.isoformat(sep=" ", timespec="seconds")


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return str(os.getuid())
