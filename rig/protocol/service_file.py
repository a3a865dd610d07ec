"""The shape of a service file, and what it becomes: loads and water of a place in service."""

from __future__ import annotations

import math
from typing import Annotated, Any, Final

from pydantic import Field

from rig.errors import InputError
from rig.protocol.document import Document, Read, meant, open_document
from rig.protocol.fields import UNREAD, Capacity, Name, Table, Text, number, quantity
from rig.protocol.service import Block, Measure, Service
from rig.protocol.validation import validate
from rig.units import UNITS, UnitError, parse_unit, shown

MOST_VALUES: Final = 1_000_000
"""Values of a history that are read; of a longer one give a part that stands for the rest."""

Level = Annotated[float, quantity("fraction", 0.0, 1.5, "%")]
YEAR: Final = 365.25 * 86400.0


class BlockTable(Table):
    """`[[block]]`."""

    upper: Level
    lower: Level
    cycles: Annotated[float, quantity("cycles", 1e-6, 1e12, "cycles")]


class HistoryTable(Table):
    """`[history]`."""

    unit: Text
    values: list[Any] | None = Field(default=None, max_length=MOST_VALUES)
    file: Text | None = None
    capacity: Capacity | None = None


class ServiceFile(Table):
    """A whole service file."""

    what = "service file"
    required = ("period", "wet_time")

    title: Text = "service"
    period: Annotated[float, quantity("time", 1.0, 100 * YEAR, "d")] = math.nan
    wet_time: Annotated[float, quantity("fraction", 0.0, 1.0, "%")] = math.nan
    of: Measure = "load"
    dry: Name | None = None
    wet: Name | None = None
    tested_ratio: Annotated[float, number(0.0, 0.95)] = 0.1
    model: Text | None = None
    strength: Annotated[float, quantity("stress", 5e6, 3e8, "MPa")] | None = None
    block: list[BlockTable | None] = Field(default_factory=list, max_length=100_000)
    history: HistoryTable | None = None


def load_service(path: str, read: Read) -> Service:
    """Return what a service file says. Raises `InputError` with every problem found.

    `read` returns the text of a path, of the file of a history as well.
    """
    document = open_document(path, read)
    service = build_service(document, read)
    if document.problems or service is None:
        raise InputError(document.problems)
    return service


def build_service(document: Document, read: Read) -> Service | None:
    """Return the service of a document; its problems are noted there."""
    file = validate(document, ServiceFile)
    if file is None:
        return None
    _check_loads(document, file)
    _check_model(document, file)
    history = () if file.history is None else _history(document, file, file.history, read)
    return Service(
        title=file.title,
        period=file.period,
        wet_time=file.wet_time,
        blocks=tuple(Block(b.upper, b.lower, b.cycles) for b in file.block if b),
        history=history,
        measure=file.of,
        dry=file.dry,
        wet=file.wet,
        model=file.model,
        strength=file.strength,
        tested_ratio=file.tested_ratio,
    )


def _check_loads(document: Document, file: ServiceFile) -> None:
    told = bool(file.block) + (file.history is not None)
    if told != 1 and not {"block", "history"} & document.unread:
        document.refuse(
            (),
            "needs [[block]] or [history], one of them",
            'add [[block]] with upper = "60 %", lower = "6 %" and cycles = "4000 cycles"'
            if not told
            else "take one of the two out",
        )
    for index, block in enumerate(file.block):
        if block and block.lower >= block.upper:
            document.refuse(
                ("block", index, "lower"),
                f"{document.written(('block', index, 'lower'))} is not below upper",
                f"give less than {document.written(('block', index, 'upper'))}",
            )


def _check_model(document: Document, file: ServiceFile) -> None:
    if not file.model:
        return
    from rig.mechanics.concrete_life import MODELS

    if file.model not in MODELS:
        document.refuse(("model",), f"{shown(file.model)} is no model", meant(file.model, MODELS))
    if file.of != "concrete" and "of" not in document.unread:
        document.refuse(
            ("model",),
            "is a line of concrete stress, and levels here are of load",
            'give levels of the strength of the concrete and of = "concrete"',
        )
    if file.strength is None and "strength" not in document.unread:
        document.refuse_missing((), "strength")


def _history(
    document: Document, file: ServiceFile, table: HistoryTable, read: Read
) -> tuple[float, ...]:
    """Return the levels of a history, one after the other."""
    factor = _factor(document, file, table)
    if (table.values is None) == (table.file is None):
        if "history" not in document.unread:
            document.refuse(
                ("history",),
                "needs values or file, one of them",
                "add values = [12.0, 61.5, 12.5] or a file with one number a line",
            )
        return ()
    if table.file is not None:
        values = _of_file(document, table.file, read) if table.file else []
    else:
        values = _of_list(document, table.values or [])
    if len(values) < 2 and not document.problems:
        document.refuse(("history",), "has fewer than two values", "give peaks and valleys")
    return tuple(value * factor for value in values)


def _factor(document: Document, file: ServiceFile, table: HistoryTable) -> float:
    """Return what a value is multiplied by to be a level, nan where that is not known."""
    unit = table.unit.strip()
    if unit == "%":
        return 0.01
    if not unit:
        return math.nan
    try:
        newtons, _ = parse_unit(unit, "force")
    except UnitError as error:
        document.refuse(
            ("history", "unit"), error.problem, f'give "%" or {", ".join(UNITS["force"])}'
        )
        return math.nan
    if file.of == "concrete":
        document.refuse(("history", "unit"), "a force is no level of concrete", 'give unit = "%"')
    if table.capacity is None:
        if "history" not in document.unread:
            document.refuse(
                ("history", "capacity"),
                f"is missing: values are in {unit}",
                'add capacity = "132 kN", or give values in "%" of it',
            )
        return math.nan
    return newtons / table.capacity


def _of_list(document: Document, values: list[Any]) -> list[float]:
    for index, value in enumerate(values):
        plain = isinstance(value, int | float) and not isinstance(value, bool)
        if not (plain and math.isfinite(value)):
            document.refuse(
                ("history", "values", index),
                f"{'this' if value is UNREAD else shown(value)} is not a finite number",
                "give plain numbers, their unit in unit",
            )
            return []
    return [float(value) for value in values]


def _of_file(document: Document, name: str, read: Read) -> list[float]:
    path = document.beside(name)
    text = open_text(document, path, read)
    values = []
    lines = [] if text is None else text.splitlines()
    for index, line in enumerate(lines, 1):
        cell = line.partition("#")[0].strip()
        if not cell:
            continue
        try:
            value = float(cell)
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            document.refuse(
                ("history", "file"),
                f"line {index} of {shown(path)} holds {shown(cell)}, no finite number",
                "give one number a line; # begins a remark",
            )
            return []
        values.append(value)
    if len(values) > MOST_VALUES:
        document.refuse(
            ("history", "file"),
            f"{shown(path)} has {len(values):,} values",
            f"give at most {MOST_VALUES:,}: a part that stands for the rest",
        )
    return values


def open_text(document: Document, path: str, read: Read) -> str | None:
    """Return the text of a file that a document names in [history], None with its problem noted."""
    try:
        return read(path)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "it is no text file"
        document.refuse(
            ("history", "file"), f"cannot read {shown(path)}: {why.lower()}", "correct the path"
        )
        return None
