"""The kinds of field that protocol, rig, specimen and series files are made of.

Each is a pydantic annotation that reads text with a unit into SI and refuses what no rig has.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Annotated

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Strict,
    StringConstraints,
)
from pydantic_core import PydanticCustomError

from rig.units import UNITS, UnitError, example, parse_any, shown

Amount = tuple[float, str]
"""A value in SI and its dimension, or a word and "word"."""


class Table(BaseModel):
    """One table of a file: unknown keys are refused and types are not bent."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


def refuse(problem: str, remedy: str) -> PydanticCustomError:
    """Return the error that carries a problem and its remedy through pydantic."""
    # The words go through the context: braces in them would be read as a template.
    return PydanticCustomError("problem", "{problem}", {"problem": problem, "remedy": remedy})


def _within(value: object, number: float, low: float, high: float, unit: str) -> None:
    if not low <= number <= high:
        raise refuse(
            f"{shown(value)} is out of range",
            f"give a value from {spoken(low, unit)} to {spoken(high, unit)}",
        )


def spoken(value: float, unit: str) -> str:
    """Return an SI value in a unit of the table, such as `97 kN`."""
    if not unit:
        return f"{value:.6g}"
    factor = next(units[unit] for units in UNITS.values() if unit in units)
    offset = 273.15 if unit == "degC" else 0.0
    return f"{(value - offset) / factor:.6g} {unit}"


def _quantity(dimension: str, low: float, high: float, unit: str) -> Callable[[object], float]:
    def read(value: object) -> float:
        try:
            number, _ = parse_any(value, (dimension,))
        except UnitError as error:
            raise refuse(error.problem, error.remedy) from None
        _within(value, number, low, high, unit)
        return number

    return read


def quantity(dimension: str, low: float, high: float, unit: str) -> BeforeValidator:
    """Return what reads a quantity from `low` to `high` [SI], told in `unit`."""
    return BeforeValidator(_quantity(dimension, low, high, unit))


def _count(low: int, high: int) -> Callable[[object], int]:
    def read(value: object) -> int:
        number = _quantity("cycles", low, high, "cycles")(value)
        if number != math.floor(number):
            raise refuse(f"{shown(value)} is not a whole number", "give whole cycles")
        return int(number)

    return read


def count(low: int = 1, high: int = 10**9) -> BeforeValidator:
    """Return what reads a whole number of cycles."""
    return BeforeValidator(_count(low, high))


def amount(
    ranges: dict[str, tuple[float, float, str]], words: tuple[str, ...] = (), remedy: str = ""
) -> BeforeValidator:
    """Return what reads an `Amount`: one of several dimensions, each with its range."""
    wanted = remedy or " or ".join([example(*ranges), *(f'"{w}"' for w in words)])

    def read(value: object) -> Amount:
        if isinstance(value, str) and value.strip() in words:
            return 0.0, value.strip()
        try:
            number, dimension = parse_any(value, tuple(ranges))
        except UnitError as error:
            hint = error.remedy if error.remedy.startswith("did you") else f"give {wanted}"
            raise refuse(error.problem, hint) from None
        _within(value, number, *ranges[dimension])
        return number, dimension

    return BeforeValidator(read)


def _number(value: object, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(f"{shown(value)} is not a plain number", f"give one from {low:g} to {high:g}")
    if not math.isfinite(value):
        raise refuse(f"{value} is not a finite number", f"give one from {low:g} to {high:g}")
    _within(value, value, low, high, "")
    return float(value)


def number(low: float, high: float) -> BeforeValidator:
    """Return what reads a plain number without unit from `low` to `high`."""
    return BeforeValidator(lambda value: _number(value, low, high))


def _whole(value: object, low: int, high: int) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise refuse(f"{shown(value)} is not a whole number", f"give one from {low} to {high}")
    _within(value, value, low, high, "")
    return value


def whole(low: int, high: int) -> BeforeValidator:
    """Return what reads a whole number without unit from `low` to `high`."""
    return BeforeValidator(lambda value: _whole(value, low, high))


def _printable(value: str) -> str:
    # Titles reach terminals: a control character would be obeyed there.
    if not value.isprintable():
        raise refuse(
            f"{shown(value)} holds characters that no line can show", "give plain text in one line"
        )
    return value


Text = Annotated[str, StringConstraints(min_length=1, max_length=200), AfterValidator(_printable)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=60, pattern=r"^[\w .,+()-]+$")]

Fixed = Strict(False)
"""Marks a tuple, which TOML can only write as a list."""

FORCE_MOST = 1e7

Force = Annotated[float, quantity("force", 1.0, FORCE_MOST, "kN")]
Capacity = Annotated[float, quantity("force", 100.0, FORCE_MOST, "kN")]
SignedForce = Annotated[float, quantity("force", -FORCE_MOST, FORCE_MOST, "kN")]
Length = Annotated[float, quantity("length", 1e-4, 100.0, "mm")]
SignedLength = Annotated[float, quantity("length", -10.0, 10.0, "mm")]
Speed = Annotated[float, quantity("speed", 1e-8, 1.0, "mm/s")]
ForceRate = Annotated[float, quantity("force rate", 1.0, 1e6, "kN/s")]
Frequency = Annotated[float, quantity("frequency", 0.01, 50.0, "Hz")]
Rate = Annotated[float, quantity("frequency", 10.0, 1e5, "Hz")]
Duration = Annotated[float, quantity("time", 0.0, 60 * 86400.0, "min")]
Wait = Annotated[float, quantity("time", 1.0, 60 * 86400.0, "min")]
Stress = Annotated[float, quantity("stress", 1e4, 3e9, "MPa")]
Modulus = Annotated[float, quantity("stress", 1e9, 4e11, "GPa")]
Density = Annotated[float, quantity("mass density", 500.0, 8000.0, "kg/m3")]
Area = Annotated[float, quantity("area", 1e-7, 0.1, "mm2")]
Flow = Annotated[float, quantity("flow", 1e-8, 0.01, "L/min")]
Volume = Annotated[float, quantity("volume", 1e-4, 1000.0, "L")]
Share = Annotated[float, quantity("fraction", 1e-4, 1.0, "%")]
Growth = Annotated[float, quantity("fraction", 1e-3, 10.0, "%")]
Strain = Annotated[float, number(1e-5, 0.2)]
