"""The shape of a series file, and what it becomes."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from rig.protocol.document import Document
from rig.protocol.fields import UNREAD, Capacity, Name, Table, Text, quantity
from rig.protocol.series import Life, Series, Ultimate
from rig.protocol.validation import validate
from rig.units import shown


class LifeTable(Table):
    """`[[life]]`."""

    specimen: Name
    group: Name
    level: Annotated[float, quantity("fraction", 0.01, 1.5, "%")] | None = None
    cycles: Annotated[float, quantity("cycles", 0.1, 1e12, "cycles")] | None = None
    outcome: Literal["failure", "run-out"] | None = None
    run: Text | None = None


class UltimateTable(Table):
    """`[[ultimate]]`."""

    specimen: Name
    group: Name
    load: Capacity | None = None
    run: Text | None = None
    residual: bool = False


class SeriesFile(Table):
    """A whole series file."""

    what = "series file"
    required = ("groups",)

    title: Text = "series"
    groups: dict[str, dict[str, Any]] = Field(default_factory=dict, min_length=1)
    life: list[LifeTable | None] = Field(default_factory=list, max_length=100_000)
    ultimate: list[UltimateTable | None] = Field(default_factory=list, max_length=100_000)


def build_series(document: Document) -> Series | None:
    """Return the series of a document, or None with its problems noted there."""
    file = validate(document, SeriesFile)
    if file is None:
        return None
    _check_groups(document, file)
    for index, life in enumerate(file.life):
        told = life is None or life.run or None not in (life.level, life.cycles, life.outcome)
        if not told and "life" not in document.unread:
            document.refuse(
                ("life", index),
                "says too little",
                'give level = "70 %", cycles = "162000 cycles" and outcome = "failure", or run',
            )
    for index, ultimate in enumerate(file.ultimate):
        if ultimate and (ultimate.load is None) == (ultimate.run is None):
            document.refuse(
                ("ultimate", index), "needs load or run, one of them", 'add load = "132 kN"'
            )
    return Series(
        title=file.title,
        groups={n: {k: str(v) for k, v in t.items()} for n, t in file.groups.items()},
        lives=tuple(
            Life(t.specimen, t.group, t.level, t.cycles, t.outcome, t.run) for t in file.life if t
        ),
        ultimates=tuple(
            Ultimate(t.specimen, t.group, t.load, t.run, t.residual) for t in file.ultimate if t
        ),
    )


def _check_groups(document: Document, file: SeriesFile) -> None:
    known = ", ".join(file.groups)
    entries = [("life", i, t.group) for i, t in enumerate(file.life) if t]
    entries += [("ultimate", i, t.group) for i, t in enumerate(file.ultimate) if t]
    for kind, index, group in entries:
        if group and group not in file.groups and "groups" not in document.unread:
            document.refuse(
                (kind, index, "group"), f"{shown(group)} is no group here", f"known are {known}"
            )
    for name, factors in file.groups.items():
        exposure = factors.get("exposure", "dry")
        if exposure is not UNREAD and exposure not in ("dry", "spray", "submerged"):
            document.refuse(
                ("groups", name, "exposure"),
                f"{shown(exposure)} is no exposure",
                'give "dry", "spray" or "submerged"',
            )
