"""The recording that a command was given: the folder of a run, or its run.h5; no other."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from rig.commands.folders import holds_run, place
from rig.errors import InputError
from rig.record.layout import RUN_FILE

_NAMES: Final = (".h5", ".hdf5")
_SIGNATURE: Final = b"\x89HDF\r\n\x1a\n"
"""What an HDF5 file begins with: HDF5 File Format Specification 3.0, II.A."""


def refuse_no_recording(run: Path) -> None:
    """Refuse what is no recording, with what may be meant. Raises InputError."""
    if run.is_file():
        if run.suffix.lower() in _NAMES or _is_hdf5(run):
            return
        if not holds_run(run.parent):
            raise InputError(f"{run}: is no record of a run; name a run's folder or its {RUN_FILE}")
    elif holds_run(run) or (run / RUN_FILE).is_file():
        return
    raise InputError(place(run).text)


def _is_hdf5(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(_SIGNATURE)) == _SIGNATURE
    except OSError:
        return True  # what the disk says of it is told where it is opened
