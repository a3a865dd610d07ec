"""Every number and word of a series report, and the object of `compare --json` they are held to."""

from __future__ import annotations

import json
import math
from typing import Any

from rig.report.document import (
    Document,
)
from rig.report.lives_object import compared_object
from rig.report.measure import Measure, Part, Words
from tests.report.document_parts import parts


def as_json(told, years=None) -> dict[str, Any]:
    """Return what `compare --json` prints, read back."""
    return json.loads(json.dumps(compared_object(told, years)))


def at(found: Any, path: str) -> list[Any]:
    """Return what stands at a path; names may hold points, and a path two readings."""
    if not path:
        return [found]
    if isinstance(found, list):
        head, _, rest = path.partition(".")
        return at(found[int(head)], rest)
    if not isinstance(found, dict):
        return [None] if found is None else []
    return [
        value
        for name, inner in found.items()
        if path == name or path.startswith(f"{name}.")
        for value in at(inner, path[len(name) + 1 :])
    ]


def differing(document: Document, found: dict[str, Any]) -> list[Part]:
    """Return every number and word with a key of the comparison that is not what stands there."""
    return [part for part in parts(document) if not _holds(part, found)]


def _holds(part: Part, found: dict[str, Any]) -> bool:
    if not isinstance(part, Measure | Words) or not part.key.startswith("compare."):
        return True
    (value,) = at(found, part.key.removeprefix("compare."))
    if isinstance(part, Words):
        return bool(part.text == value)
    if value is None:
        return math.isnan(part.value)
    return bool(part.value == value and not isinstance(value, str | bool))
