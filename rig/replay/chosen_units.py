"""The units an export is written in: SI, or those somebody asks for, and whether they convert back.

A value v [SI] is written as t so that t * factor + zero, in float64, is v again; a float32 column
is then rounded to float32. For float32 and a factor that always holds. Of float64 a part of all
values has no such t: their number is told.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.errors import InputError
from rig.replay.cells import Values
from rig.units import SIGNS, UNITS, parse, shown

_DIMENSIONS: Final = {
    "N": "force",
    "m": "length",
    "s": "time",
    "Hz": "frequency",
    "Pa": "stress",
    "K": "temperature",
    "m3/s": "flow",
    "m3": "volume",
    "m/s2": "acceleration",
    "Ohm": "resistance",
}
"""Dimension of each SI unit that another unit can take the place of."""
_STRAIN: Final = "strain_"
_ALLOWED: Final = {u: d for d in (*_DIMENSIONS.values(), "strain") for u in UNITS[d]}
_LAST_POWER: Final = 22
_POWERS: Final = 10.0 ** np.arange(_LAST_POWER + 1)
"""The powers of ten that float64 holds exactly."""


@dataclass(frozen=True, slots=True)
class Written:
    """The unit of a column: a written number times `factor` plus `zero` is SI."""

    unit: str
    factor: float = 1.0
    zero: float = 0.0

    @property
    def is_si(self) -> bool:
        """Whether nothing is converted."""
        return self.factor == 1.0 and self.zero == 0.0


def chosen_units(words: str) -> dict[str, str]:
    """Return the unit of each dimension out of words such as "kN,mm"; "SI" changes nothing.

    Raises InputError for an unknown unit and for two of one dimension.
    """
    chosen: dict[str, str] = {}
    for typed in filter(None, map(str.strip, words.split(","))):
        word = typed.translate(SIGNS)
        if word == "SI":
            continue
        if word not in _ALLOWED:
            if " " in word:
                raise InputError(f"--units: {shown(typed)}: separate units by commas: kN,mm")
            near = difflib.get_close_matches(word, _ALLOWED, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]}? " if near else ""
            known = ", ".join(_ALLOWED)
            raise InputError(f"--units: {shown(typed)} is unknown; {hint}known are SI, {known}")
        dimension = _ALLOWED[word]
        if chosen.setdefault(dimension, word) != word:
            raise InputError(
                f"--units: {chosen[dimension]} and {word} are both units of {dimension}; "
                "give one of them"
            )
    return chosen


def written_in(si: str, column: str, chosen: Mapping[str, str]) -> Written:
    """Return how a column of an SI unit is written; stiffness follows force and length."""
    if si == "N/m":
        force, length = (written_in(unit, column, chosen) for unit in ("N", "m"))
        return Written(f"{force.unit}/{length.unit}", force.factor / length.factor)
    dimension = "strain" if column.startswith(_STRAIN) else _DIMENSIONS.get(si, "")
    unit = chosen.get(dimension)
    if unit is None:
        return Written(si)
    zero = parse(f"0 {unit}", dimension) if dimension == "temperature" else 0.0
    return Written(unit, UNITS[dimension][unit], zero)


def converted(values: Values, written: Written) -> tuple[Values, int]:
    """Return values [SI] as float64 that is to be written, and how many of them are not exact.

    Exact is what converts back to the same value in the same type. Float32 is rounded to as few
    digits as that allows (nine are enough without a zero: IEEE 754-2019, 5.12.2), whole numbers
    stay as they are.
    """
    single = values.dtype == np.float32
    if values.dtype.kind != "f" or (written.is_si and not single):
        return values, 0
    with np.errstate(all="ignore"):
        found = (values.astype(np.float64) - written.zero) / written.factor
        tried: Iterable[Values]
        if single:
            tried = (_rounded(found, digits) for digits in (9, 8, 7))
        else:
            tried = (np.nextafter(found, np.inf), np.nextafter(found, -np.inf), found)
        best = found
        for near in tried:
            best = np.where(_is_exact(near, values, written), near, best)
        return best, int(np.sum(~_is_exact(best, values, written)))


def _rounded(values: Values, digits: int) -> Values:
    """Return float64 nearest to values of so many decimal digits, where that is likely exact."""
    place = digits - 1 - np.floor(np.log10(np.abs(values)))
    place = np.clip(np.nan_to_num(place), -_LAST_POWER, _LAST_POWER)
    scale = _POWERS[np.abs(place).astype(np.int64)]
    # A whole number over or times an exact power is the nearest float64 to its decimal.
    found: Values = np.where(
        place < 0, np.rint(values / scale) * scale, np.rint(values * scale) / scale
    )
    return found


def _is_exact(written_values: Values, values: Values, written: Written) -> Values:
    back = (written_values * written.factor + written.zero).astype(values.dtype)
    exact: Values = (back == values) | np.isnan(values)
    return exact
