"""Passwords and keys: read from where a lab file says they are kept, and shown nowhere."""

from __future__ import annotations

import os
import shlex
import stat
from codecs import BOM_UTF8
from collections.abc import Mapping
from typing import Final, NoReturn

from rig.errors import InputError
from rig.protocol.lab import Secret
from rig.units import plain

MOST: Final = 4096
"""Bytes of the longest secret that is read."""

_OTHERS: Final = 0o077


class Hidden:
    """A secret in memory: only `reveal` gives it away, nothing that prints or keeps values."""

    __slots__ = ("_text",)

    def __init__(self, text: str) -> None:
        self._text = text

    def reveal(self) -> str:
        """Return the secret itself, to hand it to what needs it."""
        return self._text

    def __repr__(self) -> str:
        return "Hidden(...)"

    def __reduce__(self) -> NoReturn:
        raise TypeError("a secret is not written down")


def read_secret(secret: Secret, environment: Mapping[str, str] = os.environ) -> Hidden:
    """Return a secret. Raises InputError, one line without the secret, where it cannot be had."""
    if secret.variable:
        value = environment.get(secret.variable, "")
        problem = "" if value else _unset(secret.variable)
        where, data = f"the variable {secret.variable}", value.encode(errors="surrogateescape")
    else:
        problem, data = _read(secret.file)
        where = secret.file
    if problem:
        raise InputError(problem)
    return Hidden(_only_line(where, data))


def secret_problem(secret: Secret, environment: Mapping[str, str] = os.environ) -> str:
    """Return in one line why a secret cannot be had, "" where nothing is in the way.

    Whether it is there and private is looked at; the secret itself is not read.
    """
    if secret.variable:
        return "" if environment.get(secret.variable) else _unset(secret.variable)
    handle, problem = _opened(secret.file)
    if handle >= 0:
        os.close(handle)
    return problem


def _unset(variable: str) -> str:
    return (
        f"the variable {variable}, which holds a secret, is not set; set it where nightrig is "
        "started, or keep the secret in a private file"
    )


def _read(file: str) -> tuple[str, bytes]:
    handle, problem = _opened(file)
    if problem:
        return problem, b""
    with os.fdopen(handle, "rb") as stream:
        try:
            return "", stream.read(MOST + 1)
        except OSError as error:
            said = f"this secret cannot be read: {_reason(error)}"
            return _told(file, said, "look at the disk it lies on"), b""


def _opened(file: str) -> tuple[int, str]:
    """Return a descriptor of a private file, or -1 and why there is none."""
    try:
        # A pipe of that name must not hold anybody up.
        handle = os.open(file, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOCTTY)
    except FileNotFoundError:
        said = "no such file, and a secret should be in it"
        return -1, _told(file, said, f"make it with: {_making(file)}, and write the secret into it")
    except (OSError, ValueError) as error:
        said = f"this secret cannot be opened: {_reason(error)}"
        return -1, _told(file, said, "keep it in a file of the user that starts nightrig")
    problem = _open_to_others(file, os.fstat(handle))
    if problem:
        os.close(handle)
        return -1, problem
    return handle, ""


def _making(file: str) -> str:
    folder = os.path.dirname(file)
    there = not folder or os.path.isdir(folder)
    first = "" if there else f"mkdir -p -m 700 {shlex.quote(folder)} && "
    return f"{first}install -m 600 /dev/null {shlex.quote(file)}"


def _open_to_others(file: str, found: os.stat_result) -> str:
    if not stat.S_ISREG(found.st_mode):
        return _told(file, "is no regular file", "keep the secret in a file of its own")
    if found.st_uid != os.geteuid():
        remedy = "keep it in a file of the user that starts nightrig"
        return _told(file, "this secret belongs to another user", remedy)
    if found.st_mode & _OTHERS:
        said = f"other users have rights to this secret (mode {stat.S_IMODE(found.st_mode):04o})"
        remedy = f"take them away with: chmod 600 {shlex.quote(file)}"
        return _told(file, said, f"{remedy}, and change it if others may have read it")
    return ""


def _only_line(where: str, data: bytes) -> str:
    """Return what one line holds; the line's end, if there is one, is no part of a secret."""
    alone = "keep the secret alone there, in one line"
    if len(data) > MOST:
        raise InputError(_told(where, f"is longer than the {MOST} bytes of a secret", alone))
    try:
        text = data.removeprefix(BOM_UTF8).decode().removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        raise InputError(_told(where, "this secret is no UTF-8 text", "write it anew")) from None
    if not text:
        raise InputError(_told(where, "is empty, and a secret should be in it", "write it there"))
    if not text.isprintable():
        said = "holds more than one line, or characters that no line can show"
        raise InputError(_told(where, said, alone))
    return text


def _told(where: str, problem: str, remedy: str) -> str:
    return plain(f"{where}: {problem}; {remedy}")


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or "this is no usable path").lower()
