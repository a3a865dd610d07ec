"""`nightrig note --map`: the crack map of a run, live or not, drawn into a file."""

from __future__ import annotations

from pathlib import Path

from rig.commands.recorded import refuse_no_recording
from rig.commands.saying import say, say_json, visible
from rig.errors import InputError


def draw_crack_map(folder: Path, path: Path, *, as_json: bool) -> int:
    """Draw the crack map of a run into a new file. Raises InputError and StorageError."""
    from rig.report.crack_map import draw_map

    refuse_no_recording(folder)
    if path.exists():
        raise InputError(f"--map {path}: already exists, nothing was drawn; name a new file")
    draw_map(folder, path)
    if as_json:
        say_json({"map": str(path)})
    else:
        say(visible(f"{folder}: its crack map is drawn in {path}"))
    return 0
