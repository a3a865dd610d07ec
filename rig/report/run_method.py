"""What a protocol asks beside its loads: stages, inspections, criteria and limits, as written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from rig.report.document import Listed
from rig.report.measure import Cell, Part, Table
from rig.report.run_reading import RunRead
from rig.report.run_sheet import named, value_written

HEADS: Final = ("part", "what", "as written")
_TOLD: Final = ("title", "specimen_id", "exposure", "loading")
"""What stands elsewhere in a report."""


def method_blocks(read: RunRead) -> tuple[Listed, ...]:
    """Return the protocol as a table, none where the record keeps none that can be read."""
    protocol = {key: value for key, value in read.tables["protocol"].items() if key not in _TOLD}
    rows = tuple(_rows(protocol, "protocol", ()))
    if not rows:
        return ()
    caption = ("How it was to be tested: stages, inspections, criteria, limits, as written",)
    return (Listed(caption, Table(HEADS, rows), folded=True),)


def _rows(
    table: Mapping[str, Any], where: str, part: tuple[Part, ...]
) -> Iterator[tuple[Cell, ...]]:
    """Yield the values of a table and of all tables inside it, each under the names above it."""
    for key, value in table.items():
        inside = (*part, *((": ",) if part else ()), named(f"{where}.{key}", key))
        if isinstance(value, Mapping):
            yield from _rows(value, f"{where}.{key}", inside)
        elif isinstance(value, list) and any(isinstance(one, Mapping) for one in value):
            for place, one in enumerate(value):
                if isinstance(one, Mapping):
                    yield from _rows(one, f"{where}.{key}.{place}", inside)
        else:
            name = named(f"{where}.{key}", key)
            yield part or "protocol", name, value_written(value, f"{where}.{key}")
