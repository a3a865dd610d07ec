"""The files a command is given: on disk, or packaged with the program."""

from __future__ import annotations

import difflib
import os
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from rig.commands.collecting import uncollected
from rig.errors import InputError

if TYPE_CHECKING:
    from rig.protocol.lab import Lab
    from rig.protocol.plan import Plan

PACKAGED_RIG = "rigs/simulated.toml"
"""The rig taken where none is named."""

SIMULATED = "simulated"
"""The driver that needs no package and no hardware."""


def load(
    protocol: str, rig: str | None, *, installed: bool = False, with_lab: bool = False
) -> Plan:
    """Return the plan of a protocol on a rig. Raises `InputError` with every problem found.

    With `installed` a driver that is not installed on this computer is a problem too, with
    `with_lab` so is what is wrong in the lab file that the rig file names.
    """
    # No package that happens to be installed may have a say in reading files, nor cost a look.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    with uncollected():
        # Imported late: pydantic would slow down every other command.
        from rig.protocol.load import load_plan
        from rig.protocol.series import names_runs

        objection = _objection if installed else None
        rig_path = find_rig(rig)

        def read(path: str) -> str:
            return read_text(path, rig=path == rig_path)

        path = find_protocol(protocol)
        plan = load_plan(path, rig_path, read, objection, with_lab=with_lab)
        if with_lab and plan.rig.messages is not None:
            # Imported late: few rigs tell anybody.
            from rig.commands.kept import warn_unkept

            unkept = warn_unkept(rig_path, plan.rig.messages, read)
            plan = replace(plan, warnings=(*plan.warnings, *unkept))
        if not names_runs(plan.texts.get("series", "")):
            return plan
        # Imported late: it takes numpy.
        from rig.assembly.companions import with_companions

        return with_companions(plan, path, read)


def _objection(driver: str) -> tuple[str, str] | None:
    """Return what is wrong with a driver on this computer, and what would be right."""
    if driver == SIMULATED:
        return None
    # Imported late: it takes as long as all else that reading files takes.
    from rig.assembly.devices import find_driver

    try:
        find_driver(driver)
    except InputError as error:
        problem, _, remedy = str(error).partition("; ")
        return problem.replace("'", '"'), remedy
    return None


def read_text(
    path: str,
    *,
    rig: bool = False,
    specimen: bool = False,
    events: bool = False,
    series: bool = False,
    service: bool = False,
    lab: bool = False,
) -> str:
    """Return the text of a UTF-8 file, with or without a byte order mark.

    A note on the error of a file that is not there says what it may be meant to be: another
    protocol, or where a `rig`, `events`, `series`, `service` or `lab` file was looked for another
    of these; where a `specimen` will do as well, one of those too.
    """
    try:
        return Path(path).read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        kinds = ("protocols", *(("specimens",) if specimen else ()))
        of_kind = {"rigs": rig, "events": events, "series": series, "services": service}
        for folder, asked in {**of_kind, "labs": lab}.items():
            kinds = (folder,) if asked else kinds
        error.add_note(_instead(path, kinds))
        raise


def _instead(path: str, kinds: tuple[str, ...]) -> str:
    """Say what a file that is not there may be meant to be: a neighbour, or a packaged file."""
    folder, name = os.path.split(path)
    of_kind = {k: _packaged_names("" if k == "protocols" else k) for k in kinds}
    packaged = [name for names in of_kind.values() for name in names]
    beside = _names_in(folder or ".")
    stems = {n.removesuffix(".toml"): n for n in beside}
    stems |= {n: n for n in packaged}
    near = difflib.get_close_matches(name.removesuffix(".toml"), stems, n=1, cutoff=0.7)
    if near:
        found = stems[near[0]]
        return f'did you mean "{os.path.join(folder, found) if found in beside else found}"?'
    if folder and not beside:
        return f"correct the path, or copy the file there; {folder} holds no TOML file"
    if folder:
        return f"correct the path; in {folder} there are {', '.join(beside[:10])}"
    told = "; ".join(f"packaged {kind} are {', '.join(names)}" for kind, names in of_kind.items())
    return f"correct the path; {told}"


def _packaged_names(folder: str) -> list[str]:
    """Return the names that packaged files of a folder are given by."""
    root = resources.files("protocols").joinpath(folder) if folder else resources.files("protocols")
    return sorted(e.name.removesuffix(".toml") for e in root.iterdir() if e.name.endswith(".toml"))


def _names_in(folder: str) -> list[str]:
    try:
        return sorted(name for name in os.listdir(folder) if name.endswith(".toml"))
    except (OSError, ValueError):
        return []


def packaged(name: str) -> str | None:
    """Return the path of a packaged file such as `overnight-wet-prism`, or None.

    The name may begin with `protocols/` and end with `.toml` or not.
    """
    root = resources.files("protocols")
    inner = name.removeprefix("./").removeprefix("protocols/").removesuffix(".toml") + ".toml"
    if ".." in inner or inner.startswith("/") or "\0" in inner:
        return None
    found = root.joinpath(*inner.split("/"))
    try:
        return str(found) if found.is_file() else None
    except OSError:  # such as a name that is too long
        return None


def find_protocol(name: str) -> str:
    """Return the path of a protocol: the file of that name, else the packaged one."""
    return _find(name)


def find_rig(name: str | None) -> str:
    """Return the path of a rig file, the packaged simulated rig where none is named."""
    if name is None:
        return packaged(PACKAGED_RIG) or PACKAGED_RIG
    if exists(name):
        return name
    return packaged(f"rigs/{name}") or packaged(name) or name


def find_events(name: str) -> str:
    """Return the path of an events file: the file of that name, else the packaged one."""
    return name if exists(name) else packaged(f"events/{name}") or packaged(name) or name


def find_series(name: str) -> str:
    """Return the path of a series file: the file of that name, else the packaged one."""
    return name if exists(name) else packaged(f"series/{name}") or packaged(name) or name


def find_service(name: str) -> str:
    """Return the path of a service file: the file of that name, else the packaged one."""
    return name if exists(name) else packaged(f"services/{name}") or packaged(name) or name


def find_lab(name: str) -> str:
    """Return the path of a lab file: the file of that name, else the packaged one."""
    return name if exists(name) else packaged(f"labs/{name}") or packaged(name) or name


def load_lab(name: str) -> Lab:
    """Return what a lab file says. Raises `InputError` with every problem found."""
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from rig.protocol import lab_file

    return lab_file.load_lab(find_lab(name), lambda path: read_text(path, lab=True))


def _find(name: str) -> str:
    return name if exists(name) else packaged(name) or name


def exists(name: str) -> bool:
    """Tell whether there is a file of a name, whatever the name is."""
    try:
        return Path(name).exists()
    except (OSError, ValueError):
        return False
