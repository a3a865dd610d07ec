"""`[pauses]`, `[attendance]` and `[hours]` of a protocol: what the test expects of people."""

from __future__ import annotations

import difflib
import re
from typing import Annotated, Final, Literal

from pydantic import BeforeValidator

from rig.protocol.document import Document
from rig.protocol.fields import NO_DIMENSION, Amount, Fixed, Table, amount, quantity, refuse
from rig.protocol.plan import Attendance, Hours, Pauses
from rig.protocol.position import Path
from rig.units import shown

USUAL_ATTENDANCE: Final = 'by = ["30 min", "2 h", "20000 cycles"]'
"""When somebody looks after each start, as a line to paste; common practice, no source."""

_MOST_LOOKS: Final = 20
_CLOCK: Final = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])", re.ASCII)
_ZONE: Final = re.compile(r"[A-Za-z0-9_+-]{1,20}(/[A-Za-z0-9_+-]{1,20}){0,2}", re.ASCII)


def _time_of_day(value: object) -> int:
    match = _CLOCK.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        # A time without quotes is one to TOML, with seconds.
        wanted = 'write hours and minutes in quotes, "00:00" to "23:59"'
        raise refuse(f"{shown(str(value))} is no time of day", wanted)
    return int(match[1]) * 60 + int(match[2])


def _two(value: object) -> object:
    if not isinstance(value, list) or len(value) != 2:
        raise refuse(
            f"{shown(value)} is no pair of times of day", 'write for example ["20:00", "06:00"]'
        )
    return value


def _zone(value: object) -> str:
    if not isinstance(value, str) or not _ZONE.fullmatch(value) or not _known(value):
        raise refuse(f"{shown(value)} is no time zone known here", _zone_like(value))
    return value


def _known(name: str) -> bool:
    # Imported late: few protocols name a zone. Its tables come with Python's own packages, as the
    # names of units come with ours; no file of a person is opened.
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def _zone_like(value: object) -> str:
    from zoneinfo import available_timezones

    names = available_timezones()
    text = value if isinstance(value, str) else ""
    near = difflib.get_close_matches(text, sorted(names), n=1, cutoff=0.8)
    if near:
        return f'did you mean "{near[0]}"?'
    return 'give "UTC" or a place such as "Europe/Lisbon"; without it the computer\'s holds'


Zone = Annotated[str, BeforeValidator(_zone)]
TimeOfDay = Annotated[int, BeforeValidator(_time_of_day)]
FromTo = Annotated[tuple[TimeOfDay, TimeOfDay], Fixed, BeforeValidator(_two)]
Look = Annotated[
    Amount, amount({"time": (10.0, 60 * 86400.0, "min"), "cycles": (1.0, 1e9, "cycles")})
]


class PausesTable(Table):
    """`[pauses]`."""

    unload_after: Annotated[float, quantity("time", 10.0, 7 * 86400.0, "s")] = 1800.0


class AttendanceTable(Table):
    """`[attendance]`; its entries are read one by one."""

    by: list[Look]


class HoursTable(Table):
    """`[hours]`."""

    zone: Zone = ""
    quiet: FromTo | None = None
    weekend: Literal["quiet", "as other days"] = "as other days"
    working: FromTo | None = None
    pull_forward: Annotated[float, quantity("fraction", 0.0, 0.1, "%")] = 0.1


def build_pauses(table: PausesTable | None) -> Pauses:
    """Return how long a pause stands under load."""
    return Pauses(table.unload_after) if table else Pauses()


def build_attendance(document: Document, table: AttendanceTable | None) -> Attendance | None:
    """Return by when somebody must have looked; None where the protocol asks for nobody."""
    if table is None:
        return None
    path: Path = ("attendance", "by")
    if not 1 <= len(table.by) <= _MOST_LOOKS:
        document.refuse(
            path,
            f"has {len(table.by)} entries",
            f"give 1 to {_MOST_LOOKS}; usual is {USUAL_ATTENDANCE}",
        )
        return None
    rising: dict[str, list[float]] = {"time": [], "cycles": []}
    for index, (value, dimension) in enumerate(table.by):
        if dimension == NO_DIMENSION:
            continue
        earlier, written = rising[dimension], document.written((*path, index))
        if earlier and value <= earlier[-1]:
            kind = "times" if dimension == "time" else "counts"
            document.refuse(
                (*path, index), f"{written} does not rise", f"sort the {kind}, each once"
            )
        elif dimension == "cycles" and value != int(value):
            document.refuse((*path, index), f"{written} is not a whole number", "give whole cycles")
        earlier.append(value)
    return Attendance(tuple(rising["time"]), tuple(int(c) for c in rising["cycles"]))


def build_hours(document: Document, table: HoursTable | None) -> Hours:
    """Return the hours of the day that the test keeps to."""
    if table is None:
        return Hours()
    path: Path = ("hours",)
    if table.quiet and table.quiet[0] == table.quiet[1]:
        document.refuse(
            (*path, "quiet"),
            f"{document.written((*path, 'quiet'))} ends when it begins",
            'give two times such as ["20:00", "06:00"]',
        )
    if table.working and table.working[0] >= table.working[1]:
        document.refuse(
            (*path, "working"),
            f"{document.written((*path, 'working'))} does not end after it begins",
            'give two times of one day such as ["08:00", "17:00"]',
        )
    pulled = "pull_forward" in table.model_fields_set and "hours" not in document.unread
    if table.working is None and pulled:
        document.refuse(
            (*path, "pull_forward"),
            "means nothing without working hours",
            'add working = ["08:00", "17:00"]',
        )
    return Hours(
        zone=table.zone,
        quiet=table.quiet,
        quiet_weekend=table.weekend == "quiet",
        working=table.working,
        pull_forward=table.pull_forward,
    )
