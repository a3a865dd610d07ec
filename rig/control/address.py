"""Where a live run is asked: one Unix socket a run, in a folder of its user alone."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import logging
import os
import socket
import stat
import struct
import tempfile
from pathlib import Path
from typing import Final, Protocol

from rig.errors import InputError

_LOG: Final = logging.getLogger(__name__)
SUFFIX: Final = ".sock"
LONGEST_PATH: Final = 100
"""Bytes of a socket's path that every Unix accepts."""


def folders() -> tuple[Path, ...]:
    """Return where sockets of this user may lie, best first; they need not exist.

    What a session offers comes and goes with it, so whoever asks looks at all of them. Where
    NIGHTRIG_SOCKETS names a folder that is the only one: tests must never find a real run.
    """
    if only := os.environ.get("NIGHTRIG_SOCKETS"):
        return (Path(only),)
    user = os.getuid()
    places = [Path(f"/run/user/{user}"), Path(tempfile.gettempdir())]
    if session := os.environ.get("XDG_RUNTIME_DIR"):
        places.insert(0, Path(session))
    names = [p / (f"nightrig-{user}" if p == places[-1] else "nightrig") for p in places]
    return tuple(dict.fromkeys(names))


def socket_name(run: Path) -> str:
    """Return the name of a run folder's socket: short, as the path of a socket must be."""
    return hashlib.sha256(os.fsencode(run.resolve())).hexdigest()[:16] + SUFFIX


def make_folder() -> Path:
    """Return the folder for a new socket, made if need be.

    Raises InputError where it belongs to somebody else or others may write to it.
    """
    place = next(filter(_usable, folders()), None)
    if place is None:
        raise InputError(
            f"no folder for the control socket: none of {', '.join(map(str, folders()))} can be "
            "written to; set XDG_RUNTIME_DIR to a folder of yours with a short path"
        )
    place.mkdir(mode=0o700, exist_ok=True)
    found = place.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid():
        raise InputError(f"{place}: is not a folder of yours; have it removed, then start again")
    if stat.S_IMODE(found.st_mode) & 0o077:
        place.chmod(0o700)
    return place


def _usable(place: Path) -> bool:
    longest = len(os.fsencode(place)) + 1 + len(socket_name(place))
    return longest <= LONGEST_PATH and place.parent.is_dir() and os.access(place.parent, os.W_OK)


def _own_folders() -> tuple[Path, ...]:
    """Return the folders that are there and this user's alone; a foreign one is named once.

    Whoever else can make a folder of that name, or write to it, could answer for a run.
    """
    return tuple(folder for folder in folders() if _is_own(folder))


def _is_own(folder: Path) -> bool:
    try:
        found = folder.lstat()
    except OSError:
        return False
    alone = found.st_uid == os.getuid() and not stat.S_IMODE(found.st_mode) & 0o077
    if stat.S_ISDIR(found.st_mode) and alone:
        return True
    _name_foreign(folder)
    return False


@functools.cache
def _name_foreign(folder: Path) -> None:
    _LOG.warning("%s: is not a folder of yours alone; no run is looked for in it", folder)


class Connection(Protocol):
    """What a connected socket can be asked."""

    def getsockopt(self, level: int, optname: int, buflen: int, /) -> bytes:
        """Return an option of the socket."""


def is_trusted(connection: Connection) -> bool:
    """Tell whether the peer is this user or root; where the system cannot tell, the folder did."""
    option = getattr(socket, "SO_PEERCRED", None)
    if option is None:
        return True
    form = struct.Struct("3i")
    _, user, _ = form.unpack(connection.getsockopt(socket.SOL_SOCKET, option, form.size))
    return user in (0, os.getuid())


def find_socket(run: Path) -> Path | None:
    """Return the socket of a run folder, or None where there is none."""
    name = socket_name(run)
    return next((p for folder in _own_folders() if (p := folder / name).is_socket()), None)


def all_sockets() -> tuple[Path, ...]:
    """Return the sockets of every run of this user, live or left over."""
    found = (p for folder in _own_folders() for p in folder.glob("*" + SUFFIX))
    return tuple(sorted(p for p in found if p.is_socket()))


def sweep() -> None:
    """Take away sockets that nobody listens to any more, as a killed run leaves them."""
    for path in all_sockets():
        # One that went, or that another run sweeps as well, is none of ours.
        with contextlib.suppress(OSError):
            if _is_left_over(path):
                _take_away(path)


def _is_left_over(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as trial:
        trial.setblocking(False)
        try:
            trial.connect(str(path))
        except ConnectionRefusedError:
            return True
        except OSError:
            return False
    return False


def _take_away(path: Path) -> None:
    # A run may have put its own socket there since it was tried: what is moved aside, where
    # nobody puts another, is tried again before it goes.
    aside = path.with_name(f"{path.stem}.{os.getpid()}")
    path.rename(aside)
    if not _is_left_over(aside):
        with contextlib.suppress(FileExistsError):
            path.hardlink_to(aside)
    aside.unlink()
