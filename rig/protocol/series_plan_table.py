"""The shape of `[plan]` in a series file, and what it becomes."""

from __future__ import annotations

from typing import Annotated, Any, Final

from pydantic import Field

from rig.protocol.document import Document, meant
from rig.protocol.fields import (
    UNREAD,
    Fixed,
    Flow,
    Frequency,
    Name,
    Share,
    Table,
    Volume,
    number,
    quantity,
    whole,
)
from rig.protocol.series_plan import SeriesPlan
from rig.units import shown

MOST_SPECIMENS: Final = 50
"""Specimens a group; more are no handful, and power is then certain."""

Size = Annotated[int, whole(1, MOST_SPECIMENS)]
Companions = Annotated[int, whole(1, MOST_SPECIMENS)]
Count = Annotated[float, quantity("cycles", 1.0, 1e12, "cycles")]
Ratio = Annotated[float, number(1.0, 1e4)]
Days = Annotated[float, quantity("time", 0.0, 365 * 86400.0, "d")]
Several: Final = Field(min_length=1, max_length=12)


class SeriesPlanTable(Table):
    """`[plan]`."""

    groups: Annotated[tuple[Name, Name], Fixed] | None = None
    sizes: Annotated[list[Size], Several] | None = None
    run_outs: Annotated[list[Count], Several] | None = None
    ratios: Annotated[list[Ratio], Several] | None = None
    strengths: Annotated[list[Annotated[float, number(1.0, 10.0)]], Several] | None = None
    life: Count | None = None
    scatter: Annotated[float, number(0.01, 5.0)] | None = None
    level: Annotated[float, quantity("fraction", 0.01, 1.5, "%")] | None = None
    companions: Annotated[list[Companions], Several] | None = None
    variation: Annotated[float, quantity("fraction", 0.001, 0.5, "%")] | None = None
    slope: Annotated[float, number(0.1, 100.0)] | None = None
    significance: Annotated[float, quantity("fraction", 0.001, 0.5, "%")] | None = None
    frequency: Frequency | None = None
    stations: Annotated[int, whole(1, 20)] | None = None
    set_up: Days | None = None
    dismantling: Days | None = None
    exposure_change: Days | None = None
    static_test: Days | None = None
    flow: Flow | None = None
    spraying: Share | None = None
    tank: Volume | None = None
    seed: Annotated[int, whole(0, 2**31 - 1)] | None = None


def build_series_plan(
    document: Document, table: SeriesPlanTable | None, known: tuple[str, ...]
) -> SeriesPlan | None:
    """Return the plan of a series, None without one; `known` are the groups of the file.

    Problems are noted in the document.
    """
    if table is None:
        return None
    _check_groups(document, table, known)
    # What could not be read is nan or a stand-in: its problem is noted, and no plan comes of it.
    given = {key: _plain(getattr(table, key)) for key in table.model_fields_set}
    return SeriesPlan(**{key: value for key, value in given.items() if value is not None})


def _plain(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _check_groups(document: Document, table: SeriesPlanTable, known: tuple[str, ...]) -> None:
    if table.groups is None or table.groups is UNREAD or "groups" in document.unread:
        return
    for index, name in enumerate(table.groups):
        if name and name not in known:
            document.refuse(
                ("plan", "groups", index), f"{shown(name)} is no group here", meant(name, known)
            )
    if table.groups[0] and table.groups[0] == table.groups[1]:
        document.refuse(
            ("plan", "groups"),
            f"{shown(table.groups[0])} is named twice",
            "name two groups, the one expected to last longer first",
        )
