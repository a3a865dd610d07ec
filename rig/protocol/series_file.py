"""A series file, read and checked: what its tables become."""

from __future__ import annotations

from rig.protocol.document import Document
from rig.protocol.series import Hypothesis, Life, Observation, Series, Ultimate
from rig.protocol.series_checks import check_series
from rig.protocol.series_plan_table import build_series_plan
from rig.protocol.series_questions import check_questions
from rig.protocol.series_tables import LifeTable, SeriesFile, UltimateTable
from rig.protocol.validation import validate


def build_series(document: Document) -> Series | None:
    """Return the series of a document, or None with its problems noted there."""
    file = validate(document, SeriesFile)
    if file is None:
        return None
    check_series(document, file)
    check_questions(document, file)
    return Series(
        title=file.title,
        groups={n: {k: _factor(v) for k, v in t.items()} for n, t in file.groups.items()},
        lives=tuple(_life(table) for table in file.life if table),
        ultimates=tuple(_ultimate(table) for table in file.ultimate if table),
        hypotheses=tuple(
            Hypothesis(t.name, t.quantity, t.lower, t.higher, t.seen or "")
            for t in file.hypothesis
            if t
        ),
        observations=tuple(
            Observation(t.specimen, sign, sign in t.seen if isinstance(t.seen, tuple) else t.seen)
            for t in file.observation
            if t
            for sign in t.looked_for
        ),
        plan=build_series_plan(document, file.plan, tuple(file.groups)),
    )


def _factor(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _life(table: LifeTable) -> Life:
    return Life(**{**dict(table), "void_reason": table.void_reason or ""})


def _ultimate(table: UltimateTable) -> Ultimate:
    return Ultimate(**{**dict(table), "void_reason": table.void_reason or ""})
