"""A quantity at its bound is within it, in whatever unit the bound is told."""

from __future__ import annotations

import importlib
import pkgutil
import re
from collections.abc import Callable, Iterator
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BeforeValidator
from pydantic_core import PydanticCustomError

import rig.protocol
from rig.protocol.fields import Table, quantity
from rig.units import UNITS

TENTHS = st.integers(1, 9999)


def tables() -> set[type[Table]]:
    """Return the shape of every table of every file."""
    names = [f"rig.protocol.{m.name}" for m in pkgutil.iter_modules(rig.protocol.__path__)]
    for name in (*names, "rig.assembly.events_tables"):
        importlib.import_module(name)

    def below(table: type[Table]) -> Iterator[type[Table]]:
        for each in table.__subclasses__():
            yield each
            yield from below(each)

    return set(below(Table))


def readers(annotation: Any) -> Iterator[Callable[[object], Any]]:
    if isinstance(annotation, BeforeValidator):
        yield annotation.func
    for inner in (*get_args(annotation), *getattr(annotation, "__metadata__", ())):
        if not isinstance(inner, str | int):
            yield from readers(inner)


def offered(read: Callable[[object], Any], unit: str) -> list[str]:
    """Return the bounds as they are told to somebody who gives far too much; none without."""
    try:
        read(f"9e40 {unit}")
    except PydanticCustomError as error:
        told = error.context or {}
        if "out of range" not in told["problem"]:
            return []
        found = re.fullmatch(r"give ([^ ]+)(?: (\S+))? to (\S+) (\S+)", told["remedy"])
        assert found is not None, told
        low, low_unit, high, high_unit = found.groups()
        pairs = ((low, low_unit or high_unit), (high, high_unit))
        return [f"{number.replace(',', '')} {of}" for number, of in pairs]
    return []


def test_what_a_refusal_offers_is_accepted_in_every_field_of_every_file():
    tried, refused = 0, []
    for table in tables():
        for name, field in table.model_fields.items():
            found = [m.func for m in field.metadata if isinstance(m, BeforeValidator)]
            for read in (*found, *readers(field.annotation)):
                for units in UNITS.values():
                    for text in offered(read, next(iter(units))):
                        tried += 1
                        try:
                            read(text)
                        except PydanticCustomError as error:
                            refused.append((table.__name__, name, error.context))
    assert tried > 300
    assert refused == []


@given(TENTHS, TENTHS)
def test_a_percentage_at_its_bound_is_the_bound_and_the_next_one_is_refused(one, other):
    low, high = sorted((one, other))
    read = quantity("fraction", low / 1000, high / 1000, "%").func
    assert read(f"{low / 10} %") == low / 1000
    assert read(f"{high / 10} %") == high / 1000
    for beyond in (low - 0.001, high + 0.001):
        with pytest.raises(PydanticCustomError, match="out of range"):
            read(f"{beyond / 10:.6f} %")
