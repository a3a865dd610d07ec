"""Columns of tables whose numbers are shown alike: one unit, one number of decimals."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from rig.report.document import Block, Document, Drawn, Listed
from rig.report.measure import (
    COUNT,
    Cell,
    Form,
    Measure,
    Part,
    Table,
    most_decimals,
    parts_of,
    unit_for,
)

_ALIKE: Final = 0.1
"""Numbers of one size are no smaller than this share of the largest."""
_FEWEST: Final = 3
"""So many digits of each number are shown, whatever its column."""
_FINER: Final = 2
"""So many more decimals than its column a small number may have."""


def level_document(document: Document) -> Document:
    """Return a report with all columns of its tables level."""
    sections = tuple(
        replace(section, blocks=tuple(_level_block(block) for block in section.blocks))
        for section in document.sections
    )
    return replace(document, sections=sections)


def _level_block(block: Block) -> Block:
    match block:
        case Listed():
            return replace(block, table=level(block.table))
        case Drawn():
            return replace(block, told=replace(block.told, table=level(block.told.table)))
    return block


def level(table: Table) -> Table:
    """Return a table whose numbers of one kind are shown in one unit with as many decimals.

    What would then lose its third digit has more decimals or, far smaller, stays as it was.
    """
    forms = [_forms(column) for column in zip(*table.rows, strict=True)]
    rows = tuple(
        tuple(_level_cell(cell, found) for cell, found in zip(row, forms, strict=True))
        for row in table.rows
    )
    return replace(table, rows=rows)


def _forms(column: Iterable[Cell]) -> dict[str, Form]:
    """Return how each kind of number of a column is shown, where there are several of it."""
    kinds: dict[str, list[Measure]] = {}
    for cell in column:
        for part in parts_of(cell):
            if isinstance(part, Measure) and _has_unit(part):
                kinds.setdefault(part.unit, []).append(part)
    return {unit: _form(unit, found) for unit, found in kinds.items() if len(found) > 1}


def _has_unit(measure: Measure) -> bool:
    """Tell whether a number is shown with significant digits: no count, temperature or blank."""
    return measure.unit not in (COUNT, "K") and math.isfinite(measure.value)


def _form(unit: str, found: list[Measure]) -> Form:
    """Return the form that suits all: no more decimals than the digits of one of them give.

    Of numbers of one size the smallest says how many that are, else the largest; zeros that
    would end all of them are left out.
    """
    sizes = [abs(measure.value) for measure in found if measure.value]
    largest, smallest = max(sizes, default=0.0), min(sizes, default=0.0)
    factor, shown = unit_for(largest, unit)
    told = smallest if smallest >= _ALIKE * largest else largest
    digits = max(measure.digits for measure in found)
    before = math.floor(math.log10(told * factor)) + 1 if told else digits
    most = max(0, digits - before)
    decimals = (
        min(_decimals(m.value * factor, m.digits, most), _most(m, factor, most)) for m in found
    )
    return Form(factor, shown, max(decimals))


def _most(measure: Measure, factor: float, most: int) -> int:
    """Return how many decimals a number may have by its step, `most` where it has none."""
    return most_decimals(measure.step, factor) if measure.step else most


def _decimals(value: float, digits: int, most: int) -> int:
    """Return how many decimals a number needs, if it has so many significant digits."""
    text = f"{float(f'{value:.{digits}g}'):.{most}f}"
    return len(text.rstrip("0").partition(".")[2])


def _level_cell(cell: Cell, forms: dict[str, Form]) -> Cell:
    if isinstance(cell, tuple):
        return tuple(_level_part(part, forms) for part in cell)
    return _level_part(cell, forms)


def _level_part(part: Part, forms: dict[str, Form]) -> Part:
    if not isinstance(part, Measure) or not _has_unit(part) or part.unit not in forms:
        return part
    form = forms[part.unit]
    finest = form.decimals + _FINER
    most = _most(part, form.factor, finest + 1)
    for decimals in range(min(form.decimals, most), finest + 1):
        finer = replace(form, decimals=decimals)
        if decimals == most or _keeps(part, finer):
            return replace(part, form=finer)
    return part


def _keeps(measure: Measure, form: Form) -> bool:
    """Tell whether a form shows three digits of a number, or all that it has."""
    value = measure.value * form.factor
    told = float(f"{value:.{min(measure.digits, _FEWEST)}g}")
    return math.isclose(round(told, form.decimals), told, rel_tol=1e-9, abs_tol=0.0)
