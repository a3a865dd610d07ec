"""`nightrig note --list`: the crack log as it stands, with what was corrected marked."""

from __future__ import annotations

import math
import sys
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from rig.commands.recorded import refuse_no_recording
from rig.commands.saying import folded, say, say_json, visible
from rig.control.request_line import clean
from rig.record.crack_words import in_words
from rig.record.cracks import (
    WITHDRAWN,
    CrackEntry,
    corrections,
    found_after,
    read_cracks,
    standing,
)
from rig.record.pictures import find_picture

_METRES: Final = ("position", "height", "width", "length")


def list_cracks(folder: Path, *, as_json: bool) -> int:
    """Print the crack log of a run, live or not. Raises InputError and StorageError."""
    from rig.replay.recording import open_recording

    refuse_no_recording(folder)
    with open_recording(folder) as recording:
        entries = read_cracks(recording)
    if as_json:
        say_json(_plain(folder, entries))
    else:
        say(folded(visible("\n".join(_lines(folder, entries))), sys.stdout))
    return 0


def _lines(folder: Path, entries: tuple[CrackEntry, ...]) -> list[str]:
    if not entries:
        return [f"{folder}: nothing in its crack log"]
    stands = {entry.number: entry for entry in standing(entries)}
    corrected = corrections(entries)
    newest = {_answers(entry): entry.number for entry in stands.values() if entry.fact}
    lines = [f"{folder}: {len(stands)} of {len(entries)} entries of its crack log stand"]
    for entry in entries:
        if entry.kind != "correction":
            lines.append(_line(folder, entry, stands.get(entry.number, entry), newest))
            lines += [f"        {_correction(c)}" for c in corrected.get(entry.number, ())]
            if entry.number in corrected and entry.number in stands:
                lines.append(f"        before: {clean(in_words(entry))} ({_who(entry)})")
    return lines


def _answers(entry: CrackEntry) -> str:
    """Return which question a fact answers: void and valid answer the same."""
    return "valid" if entry.fact == "void" else entry.fact


def _line(folder: Path, entry: CrackEntry, stands: CrackEntry, newest: Mapping[str, int]) -> str:
    when = f"cycle {entry.cycle:,}"
    if entry.at_utc:
        late = f"written after the end, {_moment(entry.at_utc)}"
        when = f"{when}, {late}" if entry.crack else late
    number = newest.get(_answers(stands), 0) if stands.fact else 0
    newer = f"; entry {number} counts" if number > entry.number else ""
    missing = ""
    if stands.picture and _is_run(folder) and find_picture(folder, stands.picture) is None:
        missing = "; the picture is not in the folder"
    said = clean(in_words(stands)) + missing + newer
    return f"  {entry.number:>4}  {when}: {said} ({_who(stands)})"


def _correction(entry: CrackEntry) -> str:
    did = "withdrawn" if entry.fact == WITHDRAWN else "corrected"
    why = f": {clean(entry.text)}" if entry.fact == WITHDRAWN else ""
    return f"* {did} by entry {entry.number} ({_who(entry)}){why}"


def _moment(at_utc: str) -> str:
    """Return a stamp of ISO 8601 in UTC to the minute, for people."""
    return f"{clean(at_utc)[:16].replace('T', ' ')} UTC"


def _who(entry: CrackEntry) -> str:
    return clean(entry.by) or "nobody named"


def _is_run(folder: Path) -> bool:
    return folder.is_dir()


def _plain(folder: Path, entries: tuple[CrackEntry, ...]) -> dict[str, Any]:
    corrected = corrections(entries)
    return {
        "run": str(folder),
        "entries": [_entry(folder, entry) for entry in entries],
        "standing": [_entry(folder, entry) for entry in standing(entries)],
        "corrected": {str(n): [entry.number for entry in by] for n, by in corrected.items()},
        "found": asdict(found_after(entries)),
    }


def _entry(folder: Path, entry: CrackEntry) -> dict[str, Any]:
    """Return an entry as plain values: null where nothing was read."""
    plain: dict[str, Any] = {}
    for name, value in asdict(entry).items():
        if name in _METRES:
            plain[f"{name}_m"] = None if math.isnan(value) else value
        else:
            plain["time_s" if name == "time" else name] = value
    path = find_picture(folder, entry.picture) if entry.picture else None
    return {**plain, "picture_file": None if path is None else str(path)}
