"""Numbers and words out of a record, each with the key by which it can be found there again."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final, Literal

COUNT: Final = "1"
_SHOWN: Final[dict[str, tuple[float, str]]] = {
    "N": (1e-3, "kN"),
    "m": (1e3, "mm"),
    "N/m": (1e-6, "kN/mm"),
    "J": (1.0, "J"),
    "Hz": (1.0, "Hz"),
    "Pa": (1e-6, "MPa"),
    "m/s": (6e4, "mm/min"),
    "N/s": (1e-3, "kN/s"),
    "m3": (1e3, "L"),
    "m3/s": (6e4, "L/min"),
    "m2": (1e6, "mm²"),
    "m3/m": (1e6, "mm²"),
    "strain": (1e6, "µm/m"),
    "%": (1e2, "%"),
    "ratio": (1.0, ""),
    "a": (1.0, "years"),
    "kg": (1.0, "kg"),
    "kg/m3": (1.0, "kg/m³"),
    "m/s2": (1.0, "m/s²"),
    "Ohm": (1e-6, "MΩ"),
    "K difference": (1.0, "K"),
    "m/cycle": (1e9, "nm/cycle"),
    "m/decade": (1e3, "mm/decade"),
}
"""Factor and unit for people, by SI unit; "%" and "ratio" are of fractions."""
_SMALL: Final = {"m": (1e6, "µm"), "N": (1.0, "N")}
_SMALLER: Final = 0.01
"""Below this in the unit for people a smaller one is used: no powers of ten to be read at night."""
_SPANS: Final = ((2 * 86400.0, 86400.0, "d"), (7200.0, 3600.0, "h"), (120.0, 60.0, "min"))
_KELVIN: Final = 273.15


@dataclass(frozen=True, slots=True)
class Form:
    """How numbers are shown: SI times `factor`, in `unit`, with so many `decimals`."""

    factor: float
    unit: str
    decimals: int

    def text_of(self, value: float) -> str:
        """Return a value [SI] for people; what rounds to zero has no sign."""
        return f"{value * self.factor:z,.{self.decimals}f} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Measure:
    """A number: its value [SI] with its unit, "1" for a count, "%" or "ratio" for a fraction.

    `key` says where it comes from in run.h5; `digits` are significant ones; `blank` is said where
    the value is NaN. A temperature [K] is shown in °C, a time [s] in the unit that suits it.
    `form` is how its column of a table shows it, where all of a column are shown alike. No digit
    below a `step` [SI] is shown, 0 for none.
    """

    value: float
    unit: str
    key: str
    digits: int = 3
    blank: str = "none"
    form: Form | None = None
    step: float = 0.0

    @property
    def text(self) -> str:
        """The value for people."""
        if math.isnan(self.value):
            return self.blank
        if self.unit == COUNT:
            return f"{self.value:,.0f}"
        if self.unit == "K":
            return f"{self.value - _KELVIN:.1f} °C"
        if self.form is not None:
            return self.form.text_of(self.value)
        factor, unit = unit_for(abs(self.value), self.unit)
        if self.step and self.value:
            most = most_decimals(self.step, factor)
            if self.digits - 1 - math.floor(math.log10(abs(self.value * factor))) > most:
                return Form(factor, unit, most).text_of(self.value)
        return f"{significant(self.value * factor, self.digits)} {unit}".rstrip()


def unit_for(size: float, unit: str) -> tuple[float, str]:
    """Return factor and unit for people of a value [SI] of this size."""
    if unit == "s":
        return _span(size)
    shown = _SHOWN[unit]
    return _SMALL[unit] if unit in _SMALL and 0 < size * shown[0] < _SMALLER else shown


def _span(seconds: float) -> tuple[float, str]:
    for least, length, unit in _SPANS:
        if seconds >= least:
            return 1.0 / length, unit
    return 1.0, "s"


def significant(value: float, digits: int) -> str:
    """Return a number with significant digits; a large one in full, with commas."""
    if abs(value) >= 10.0**digits:
        return f"{value:,.0f}"
    return f"{value:.{digits}g}"


@dataclass(frozen=True, slots=True)
class Words:
    """A text as the record has it: what somebody wrote, a `name`, or a file. `key` says where."""

    text: str
    key: str
    kind: Literal["said", "name", "file"] = "said"


@dataclass(frozen=True, slots=True)
class Stamp:
    """A moment [UTC], as ISO 8601 in the record; `key` says where."""

    iso: str
    key: str

    @property
    def text(self) -> str:
        """Date and time for people, as written where it is no time."""
        try:
            moment = datetime.fromisoformat(self.iso)
            if moment.tzinfo is not None:
                moment = moment.astimezone(UTC)
        except (ValueError, OverflowError):
            return self.iso
        return f"{moment:%Y-%m-%d %H:%M:%S} UTC"


Part = str | Measure | Words | Stamp
"""A piece of a sentence. A plain `str` is the report's own and holds no number of the record."""
Cell = Part | tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells under their heads."""

    heads: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class Told:
    """What a figure shows: a sentence in parts, and a table."""

    sentence: tuple[Part, ...]
    table: Table

    @property
    def text(self) -> str:
        """The sentence as text."""
        return plain(self.sentence)


def parts_of(cell: Cell) -> tuple[Part, ...]:
    """Return a cell as parts."""
    return cell if isinstance(cell, tuple) else (cell,)


def plain(parts: Iterable[Part]) -> str:
    """Return parts as text."""
    return "".join(part if isinstance(part, str) else part.text for part in parts)


def count_of(count: int, noun: str, key: str) -> tuple[Part, ...]:
    """Return a count and its noun."""
    return Measure(count, COUNT, key), f" {noun}{'' if count == 1 else 's'}"


def precise(measure: Measure, digits: int) -> Measure:
    """Return a number with other significant digits."""
    return replace(measure, digits=digits)


def no_finer(measure: Measure, step: float) -> Measure:
    """Return a number that is shown no finer than a step [its SI unit]; NaN or 0 for none."""
    return replace(measure, step=step if step > 0 else 0.0)


def most_decimals(step: float, factor: float) -> int:
    """Return how many decimals show a step [SI] in a unit that is `factor` times SI."""
    return max(0, math.ceil(-math.log10(step * factor) - 1e-9))
