"""`[channel.calibration]` of a rig file: when, by which certificate and how well."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import date as Date  # noqa: N812 - a field of that name would hide it
from datetime import datetime
from itertools import pairwise
from typing import Annotated, Any, Final

from pydantic import BeforeValidator

from rig.channels import Channel
from rig.channels import shown as told
from rig.protocol.bounds import bounds, channel_dimension, difference_dimension
from rig.protocol.document import Document
from rig.protocol.fields import UNREAD, Table, Text, quantity, refuse
from rig.protocol.plan import Bounds
from rig.protocol.position import Path
from rig.protocol.trust import Calibration
from rig.units import UnitError, parse, shown

_DAY: Final = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_YEARS: Final = (1970, 2199)
_COARSE: Final = 0.25
"""Uncertainty as a share of the range it was found in, from which the file must be mistaken."""
_OF_STEPS: Final = 2 / math.sqrt(12)
"""Expanded uncertainty that steps bring, as a share of one; JCGM 100:2008, F.2.2.1, from memory."""
_FAR_OFF: Final = 0.10
"""Correction as a share of the channel's range, from which the file must be mistaken."""


def _day(value: Any) -> Any:
    if value is UNREAD:
        return None
    day = value
    if isinstance(value, str) and _DAY.fullmatch(value.strip()):
        try:
            day = Date.fromisoformat(value.strip())
        except ValueError:
            raise refuse(f"{shown(value)} is no day of the calendar", "correct it") from None
    if not isinstance(day, Date) or isinstance(day, datetime):
        raise refuse(f"{shown(value)} is no day", 'write year, month and day: "2026-03-14"')
    if not _YEARS[0] <= day.year <= _YEARS[1]:
        raise refuse(
            f"{shown(value)} is out of range", f"give a year from {_YEARS[0]} to {_YEARS[1]}"
        )
    return day


Day = Annotated[Date | None, BeforeValidator(_day)]
"""A day as text or as TOML has it; None where it could not be read."""


class CalibrationTable(Table):
    """`[channel.calibration]`; its quantities are read once the unit of the channel is known."""

    date: Day
    until: Day
    certificate: Text
    serial: Text = ""
    uncertainty: Any
    used: Any
    points: Any = None
    shunt: Any = None
    shunt_tolerance: Annotated[float, quantity("fraction", 1e-4, 0.1, "%")] = 0.005


def build_calibration(
    document: Document, path: Path, table: CalibrationTable, channel: Channel
) -> Calibration | None:
    """Return the calibration of a channel; None with the problems noted."""
    found = len(document.problems)
    _check_days(document, path, table.date, table.until)
    used = _used(document, path, table, channel)
    uncertainty = _step(document, path, "uncertainty", table.uncertainty, channel)
    if uncertainty is not None:
        _check_uncertainty(document, path, uncertainty, used, channel)
    points = _points(document, path, table.points, channel)
    if points and used:
        _warn_short(document, path, points, used, channel)
    shunt = _shunt(document, path, table, channel)
    if len(document.problems) > found or uncertainty is None or used is None:
        return None
    if table.date is None or table.until is None:
        return None
    return Calibration(
        date=table.date,
        until=table.until,
        certificate=table.certificate,
        uncertainty=uncertainty,
        used=used,
        points=points,
        shunt=shunt,
        shunt_tolerance=table.shunt_tolerance,
        serial=table.serial,
    )


def _check_days(document: Document, path: Path, first: Date | None, last: Date | None) -> None:
    if first and last and last <= first:
        document.refuse(
            (*path, "until"), f'"{last}" is not after date, "{first}"', "correct one of the two"
        )


def _used(
    document: Document, path: Path, table: CalibrationTable, channel: Channel
) -> Bounds | None:
    if table.used is UNREAD:
        return None
    at = (*path, "used")
    used = bounds(document, at, table.used, channel_dimension(channel.name))
    if used and (used[0] < channel.low or used[1] > channel.high):
        document.refuse(
            at,
            "reaches beyond what the channel can show",
            f"stay within {told(channel.name, channel.low, channel.high)}",
        )
    return used


def _step(document: Document, path: Path, key: str, value: Any, channel: Channel) -> float | None:
    """Return a difference of two values of the channel [SI], None where it cannot be read."""
    if value is None or value is UNREAD:
        return None
    try:
        return parse(value, difference_dimension(channel.name))
    except UnitError as error:
        document.refuse((*path, key), error.problem, error.remedy)
        return None


def _check_uncertainty(
    document: Document, path: Path, uncertainty: float, used: Bounds | None, channel: Channel
) -> None:
    at = (*path, "uncertainty")
    low, high = used or (channel.low, channel.high)
    if uncertainty <= 0:
        document.refuse(
            at,
            f"{document.written(at)} is not above zero",
            "give the expanded uncertainty of the certificate (coverage factor 2)",
        )
    elif uncertainty >= _COARSE * (high - low):
        document.refuse(
            at,
            f"{document.written(at)} is a quarter of the range used, or more",
            "give the expanded uncertainty of the certificate, in the unit it stands there",
        )
    elif uncertainty < _OF_STEPS * channel.resolution:
        document.warn(
            at,
            f"{document.written(at)} is less than what its resolution alone brings, "
            f"{told(channel.name, _OF_STEPS * channel.resolution, digits=2, difference=True)}",
            "give the expanded uncertainty of the certificate, in the unit it stands there",
        )


def _points(
    document: Document, path: Path, value: Any, channel: Channel
) -> tuple[tuple[float, float], ...]:
    """Return pairs of what was shown and what was true [SI]; () where any has a problem."""
    if value is None or value is UNREAD:
        return ()
    at = (*path, "points")
    if not isinstance(value, list) or len(value) < 2:
        document.refuse(
            at,
            f"{shown(value)} is no list of at least two points",
            'write [["0 kN", "0 kN"], ["100 kN", "100.3 kN"]]: what it showed, what was true',
        )
        return ()
    pairs = [_point(document, (*at, index), entry, channel) for index, entry in enumerate(value)]
    read = [pair for pair in pairs if pair is not None]
    if len(read) < len(pairs) or not _rising(document, at, read):
        return ()
    return tuple(read)


def _point(
    document: Document, path: Path, entry: Any, channel: Channel
) -> tuple[float, float] | None:
    if not isinstance(entry, list) or len(entry) != 2:
        document.refuse(
            path, f"{shown(entry)} is no pair", "write what it showed and what was true"
        )
        return None
    read = []
    for index, value in enumerate(entry):
        try:
            read.append(parse(value, channel_dimension(channel.name)))
        except UnitError as error:
            document.refuse((*path, index), error.problem, error.remedy)
    if len(read) < 2:
        return None
    if not channel.low <= read[0] <= channel.high:
        document.refuse(
            (*path, 0),
            f"{shown(entry[0])} is beyond what the channel can show",
            f"stay within {told(channel.name, channel.low, channel.high)}",
        )
        return None
    # The rig is controlled by what is corrected: a slip of the pen here would overload.
    if abs(read[1] - read[0]) > _FAR_OFF * (channel.high - channel.low):
        document.refuse(
            path,
            f"{document.written(path)} is off by more than a tenth of the channel's range",
            "correct the pair; what is so far off is put right where the channel comes from",
        )
        return None
    return read[0], read[1]


def _rising(document: Document, path: Path, points: Iterable[tuple[float, float]]) -> bool:
    for index, (before, behind) in enumerate(pairwise(points)):
        for place, word in enumerate(("showed", "was true")):
            if behind[place] <= before[place]:
                at = (*path, index + 1, place)
                first = document.written((*path, index, place))
                document.refuse(
                    at,
                    f"{document.written(at)} does not come after {first}",
                    f"let what {word} rise from point to point, each once",
                )
                return False
    return True


def _warn_short(
    document: Document,
    path: Path,
    points: tuple[tuple[float, float], ...],
    used: Bounds,
    channel: Channel,
) -> None:
    if used[0] < points[0][0] or used[1] > points[-1][0]:
        document.warn(
            (*path, "points"),
            f"reach from {told(channel.name, points[0][0], points[-1][0])}, and used from "
            f"{told(channel.name, *used)}: beyond the last point its slope goes on",
            "add a point at each end of what is used",
        )


def _shunt(
    document: Document, path: Path, table: CalibrationTable, channel: Channel
) -> float | None:
    if table.shunt is None:
        if "shunt_tolerance" in table.model_fields_set:
            document.refuse_missing(path, "shunt")
        return None
    shunt = _step(document, path, "shunt", table.shunt, channel)
    if shunt is not None and not 0 < abs(shunt) < channel.high - channel.low:
        document.refuse(
            (*path, "shunt"),
            f"{shown(table.shunt)} does not suit the range of the channel",
            "give what the channel shows more with its shunt on",
        )
    return shunt
