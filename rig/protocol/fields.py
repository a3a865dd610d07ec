"""The kinds of field that protocol, rig, specimen and series files are made of.

Each is a pydantic annotation that reads text with a unit into SI and refuses what no rig has.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Annotated, Any, ClassVar, Final

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Strict,
    StringConstraints,
    WrapValidator,
)
from pydantic_core import PydanticCustomError

from rig.units import UNITS, UnitError, example, parse_any, shown

Amount = tuple[float, str]
"""A value in SI and its dimension; 0.0 and the word where a word is allowed."""

UNREAD: Final = object()
"""Stands in the data of a file for what could not be read; a quantity reads it as nan."""

NO_DIMENSION: Final = "unread"
"""The dimension of an `Amount` that could not be read."""

_OWN_REMEDIES: Final = ("did you", 'write "')
"""How remedies begin that fit better than the list of all that may be given."""


class Table(BaseModel):
    """One table of a file: unknown keys are refused and types are not bent."""

    # Each file's tables are built together when the first file of the kind is read: half the time.
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, defer_build=True)

    required: ClassVar[tuple[str, ...]] = ()
    """Keys that a whole file must have; each has a default for where it cannot be read."""

    what: ClassVar[str] = ""
    """The kind of file a whole file is, in words."""


def refuse(problem: str, remedy: str) -> PydanticCustomError:
    """Return the error that carries a problem and its remedy through pydantic."""
    # The words go through the context: braces in them would be read as a template.
    return PydanticCustomError("problem", "{problem}", {"problem": problem, "remedy": remedy})


ROUNDING: Final = 1e-12
"""Of a bound, within which a quantity is at it: to turn it into SI may put it just beside."""


def _bounded(value: object, number: float, low: float, high: float, unit: str) -> float:
    """Return a quantity [SI] within its bounds, as `"95 %"` is, though 95 times 0.01 is above."""
    for bound in (low, high):
        if math.isclose(number, bound, rel_tol=ROUNDING):
            return bound
    _within(value, number, low, high, unit)
    return number


def _within(value: object, number: float, low: float, high: float, unit: str) -> None:
    if not low <= number <= high:
        raise refuse(
            f"{shown(value)} is out of range",
            f"give {_span(low, high, unit)}",
        )


def spoken(value: float, unit: str) -> str:
    """Return an SI value in a unit of the table, such as `97 kN`; times in a unit that suits."""
    if not unit:
        return _digits(value)
    if unit in UNITS["time"]:
        unit = next((u for u in ("d", "h", "min") if value >= UNITS["time"][u]), "s")
    factor = next(units[unit] for units in UNITS.values() if unit in units)
    offset = 273.15 if unit == "degC" else 0.0
    return f"{_digits((value - offset) / factor)} {unit}"


def _span(low: float, high: float, unit: str) -> str:
    first, last = spoken(low, unit), spoken(high, unit)
    number, _, same = first.partition(" ")
    return f"{number if last.endswith(f' {same}') else first} to {last}"


def _digits(value: float) -> str:
    text = f"{value:.6g}"
    if "e" not in text:
        return text
    return f"{value:,.0f}" if abs(value) >= 1 else f"{value:.12f}".rstrip("0")


def _quantity(dimension: str, low: float, high: float, unit: str) -> Callable[[object], float]:
    def read(value: object) -> float:
        if value is UNREAD:
            return math.nan
        try:
            number, _ = parse_any(value, (dimension,))
        except UnitError as error:
            raise refuse(error.problem, error.remedy) from None
        return _bounded(value, number, low, high, unit)

    return read


def quantity(dimension: str, low: float, high: float, unit: str) -> BeforeValidator:
    """Return what reads a quantity from `low` to `high` [SI], told in `unit`."""
    return BeforeValidator(_quantity(dimension, low, high, unit))


def _count(low: int, high: int) -> Callable[[object], Any]:
    quantity_of = _quantity("cycles", low, high, "cycles")

    def read(value: object) -> Any:
        number = quantity_of(value)
        if math.isnan(number):
            return number
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
        if value is UNREAD:
            return math.nan, NO_DIMENSION
        if isinstance(value, str) and value.strip() in words:
            return 0.0, value.strip()
        try:
            number, dimension = parse_any(value, tuple(ranges))
        except UnitError as error:
            hint = error.remedy if error.remedy.startswith(_OWN_REMEDIES) else f"give {wanted}"
            raise refuse(error.problem, hint) from None
        return _bounded(value, number, *ranges[dimension]), dimension

    return BeforeValidator(read)


def _number(value: object, low: float, high: float) -> float:
    if value is UNREAD:
        return math.nan
    wanted = f"give a number from {_digits(low)} to {_digits(high)}, without quotes"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(f"{shown(value)} is not a plain number", wanted)
    if not math.isfinite(value):
        raise refuse(f"{shown(value)} is not a finite number", wanted)
    _within(value, value, low, high, "")
    return float(value)


def number(low: float, high: float) -> BeforeValidator:
    """Return what reads a plain number without unit from `low` to `high`."""
    return BeforeValidator(lambda value: _number(value, low, high))


def _whole(value: object, low: int, high: int) -> Any:
    if value is UNREAD:
        return math.nan
    if isinstance(value, bool) or not isinstance(value, int):
        wanted = f"give a whole number from {low} to {high}, without quotes"
        raise refuse(f"{shown(value)} is not a whole number", wanted)
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


def _unread_text(value: Any, handler: Callable[[Any], str]) -> str:
    return "" if value is UNREAD else handler(value)


Word = Annotated[str, WrapValidator(_unread_text)]
Text = Annotated[
    str,
    StringConstraints(min_length=1, max_length=200),
    AfterValidator(_printable),
    WrapValidator(_unread_text),
]
Name = Annotated[
    str,
    StringConstraints(min_length=1, max_length=60, pattern=r"^[\w .,+()-]+$"),
    WrapValidator(_unread_text),
]

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
