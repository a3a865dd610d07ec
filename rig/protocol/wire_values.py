"""From what a device says to SI, as a rig file writes it: unit, scale, zero and limits."""

from __future__ import annotations

import math
from typing import Final

from rig.channels import channel_unit
from rig.protocol.bounds import bounds, channel_dimension, difference_dimension
from rig.protocol.document import Document
from rig.protocol.plan import Bounds
from rig.protocol.position import Path
from rig.protocol.wire import Scaling
from rig.protocol.wire_tables import AnswerTable, FromTable, PointTable
from rig.units import UnitError, parse, parse_unit

UNBOUND: Final = (-math.inf, math.inf)
"""The limits of a number of which any value is one."""

_UNREAD: Final = Scaling(math.nan, math.nan)


def is_measured(name: str) -> bool:
    """Tell whether a name is that of a channel which a device can measure."""
    return channel_unit(name) is not None and name != "deflection"


def of_unit(document: Document, path: Path, unit: str, dimension: str) -> Scaling:
    """Return the scaling of a unit, whose name stands at `path`; of nan where it is none."""
    if not unit:
        return _UNREAD
    try:
        return Scaling(*parse_unit(unit, dimension))
    except UnitError as error:
        document.refuse(path, error.problem, error.remedy)
        return _UNREAD


def scaled(
    document: Document, path: Path, channel: str, table: PointTable | AnswerTable | FromTable
) -> Scaling:
    """Return how a number becomes a value of a channel: times scale, in its unit, plus zero."""
    unit = of_unit(document, (*path, "unit"), table.unit, channel_dimension(channel))
    if table.scale == 0:
        document.refuse(
            (*path, "scale"), "0 makes one value of all", "give what the number is multiplied by"
        )
    zero = 0.0
    if table.zero is not None:
        try:
            zero = parse(table.zero, difference_dimension(channel))
        except UnitError as error:
            document.refuse((*path, "zero"), error.problem, error.remedy)
    return Scaling(unit.factor * table.scale, unit.offset + zero)


def limited(
    document: Document, path: Path, channel: str, table: PointTable | AnswerTable
) -> Bounds:
    """Return between what values [SI] a number is one of a channel."""
    if table.limits is None:
        return UNBOUND
    found = bounds(document, (*path, "limits"), table.limits, channel_dimension(channel))
    return found or UNBOUND
