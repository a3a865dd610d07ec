"""The files a command is given: on disk, or packaged with the program."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.protocol.plan import Plan

PACKAGED_RIG = "rigs/simulated.toml"
"""The rig taken where none is named."""


def load(protocol: str, rig: str | None) -> Plan:
    """Return the plan of a protocol on a rig. Raises `InputError` with every problem found."""
    # Imported late: pydantic would slow down every other command.
    from rig.protocol.load import load_plan

    return load_plan(find_protocol(protocol), find_rig(rig), read_text)


def read_text(path: str) -> str:
    """Return the text of a UTF-8 file, with or without a byte order mark."""
    return Path(path).read_text(encoding="utf-8-sig")


def packaged(name: str) -> str | None:
    """Return the path of a packaged file such as `overnight-wet-prism`, or None.

    The name may begin with `protocols/` and end with `.toml` or not.
    """
    root = resources.files("protocols")
    inner = name.removeprefix("./").removeprefix("protocols/").removesuffix(".toml") + ".toml"
    if ".." in inner or inner.startswith("/") or "\0" in inner:
        return None
    found = root.joinpath(*inner.split("/"))
    return str(found) if found.is_file() else None


def find_protocol(name: str) -> str:
    """Return the path of a protocol: the file of that name, else the packaged one."""
    return _find(name)


def find_rig(name: str | None) -> str:
    """Return the path of a rig file, the packaged simulated rig where none is named."""
    return _find(name if name is not None else f"protocols/{PACKAGED_RIG}", first_packaged=not name)


def _find(name: str, *, first_packaged: bool = False) -> str:
    if not first_packaged and _exists(name):
        return name
    return packaged(name) or name


def _exists(name: str) -> bool:
    try:
        return Path(name).exists()
    except (OSError, ValueError):
        return False
