"""Quantities as people write them: a number and a unit, by dimension, turned into SI.

The table is closed: no prefix arithmetic, no compound expressions, so that a slip of the pen is
refused instead of understood. Factors are exact by definition: the inch is 0.0254 m, the pound
0.453 592 37 kg, the pound-force 4.448 221 615 260 5 N (with standard gravity 9.806 65 m/s2), the US
gallon 231 in3. Source: NIST SP 811 (2008), Guide for the Use of the International System of
Units, Appendix B.
"""

from __future__ import annotations

import difflib
import math
import re
from typing import Final

_INCH: Final = 0.0254
_FOOT: Final = 0.3048
_LBF: Final = 4.4482216152605
_LB: Final = 0.45359237
_GALLON: Final = 231 * _INCH**3
GRAVITY: Final = 9.80665
"""Standard acceleration of free fall [m/s2], exact by definition."""

UNITS: Final[dict[str, dict[str, float]]] = {
    "force": {"N": 1.0, "kN": 1e3, "MN": 1e6, "lbf": _LBF, "kip": 1e3 * _LBF},
    "length": {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "um": 1e-6, "in": _INCH, "ft": _FOOT},
    "speed": {
        "m/s": 1.0,
        "mm/s": 1e-3,
        "um/s": 1e-6,
        "m/min": 1 / 60,
        "mm/min": 1e-3 / 60,
        "in/s": _INCH,
        "in/min": _INCH / 60,
        "ft/s": _FOOT,
    },
    "time": {"ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0},
    "frequency": {"mHz": 1e-3, "Hz": 1.0, "kHz": 1e3},
    "stress": {
        "Pa": 1.0,
        "kPa": 1e3,
        "MPa": 1e6,
        "GPa": 1e9,
        "N/mm2": 1e6,
        "bar": 1e5,
        "psi": _LBF / _INCH**2,
        "ksi": 1e3 * _LBF / _INCH**2,
    },
    "moment": {
        "Nm": 1.0,
        "kNm": 1e3,
        "MNm": 1e6,
        "lbf-in": _LBF * _INCH,
        "lbf-ft": _LBF * _FOOT,
        "kip-in": 1e3 * _LBF * _INCH,
        "kip-ft": 1e3 * _LBF * _FOOT,
    },
    "mass density": {"kg/m3": 1.0, "t/m3": 1e3, "g/cm3": 1e3, "lb/ft3": _LB / _FOOT**3},
    "area": {"m2": 1.0, "cm2": 1e-4, "mm2": 1e-6, "in2": _INCH**2, "ft2": _FOOT**2},
    "flow": {
        "m3/s": 1.0,
        "m3/h": 1 / 3600,
        "L/s": 1e-3,
        "L/min": 1e-3 / 60,
        "L/h": 1e-3 / 3600,
        "mL/min": 1e-6 / 60,
        "gal/min": _GALLON / 60,
        "gal/h": _GALLON / 3600,
    },
    "volume": {"m3": 1.0, "L": 1e-3, "mL": 1e-6, "in3": _INCH**3, "ft3": _FOOT**3, "gal": _GALLON},
    "temperature": {"K": 1.0, "degC": 1.0, "degF": 5 / 9},
    "temperature difference": {"K": 1.0},
    "force rate": {
        "N/s": 1.0,
        "kN/s": 1e3,
        "N/min": 1 / 60,
        "kN/min": 1e3 / 60,
        "lbf/s": _LBF,
        "lbf/min": _LBF / 60,
        "kip/s": 1e3 * _LBF,
        "kip/min": 1e3 * _LBF / 60,
    },
    "cycles": {"cycles": 1.0, "cycle": 1.0},
    "fraction": {"%": 1e-2},
    "strain": {"um/m": 1e-6, "mm/m": 1e-3},
    "mass": {"kg": 1.0, "t": 1e3, "lb": _LB},
    "acceleration": {"m/s2": 1.0, "mm/s2": 1e-3, "g": GRAVITY, "ft/s2": _FOOT},
    "resistance": {"Ohm": 1.0, "kOhm": 1e3, "MOhm": 1e6, "GOhm": 1e9},
}
"""Factor to SI of every unit, by dimension. Strain and fraction are pure numbers."""

_OFFSETS: Final[dict[str, float]] = {"degC": 273.15, "degF": 459.67 * 5 / 9}

_EXAMPLES: Final[dict[str, str]] = {
    "force": 'a force such as "92 kN"',
    "length": 'a length such as "0.2 mm"',
    "speed": 'a speed such as "0.5 mm/s"',
    "time": 'a time such as "2 min"',
    "frequency": 'a frequency such as "4 Hz"',
    "stress": 'a stress such as "60 MPa"',
    "moment": 'a moment such as "20 kNm"',
    "mass density": 'a mass density such as "2400 kg/m3"',
    "area": 'an area such as "93 mm2"',
    "flow": 'a flow such as "1.5 L/min"',
    "volume": 'a volume such as "200 L"',
    "temperature": 'a temperature such as "20 degC"',
    "temperature difference": 'a temperature difference such as "0.1 K"',
    "force rate": 'a force rate such as "0.5 kN/s"',
    "cycles": 'a number of cycles such as "1000 cycles"',
    "fraction": 'a percentage such as "70 %"',
    "strain": 'a strain such as "100 um/m"',
    "mass": 'a mass such as "120 kg"',
    "acceleration": 'an acceleration such as "2 m/s2"',
    "resistance": 'a resistance such as "100 MOhm"',
}

_DIMENSIONS: Final[dict[str, str]] = {
    unit: dimension for dimension, units in reversed(UNITS.items()) for unit in units
}
_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_TWO_READINGS: Final = re.compile(r"\s*[+-]?[1-9][0-9]{0,2}\.[0-9]{3}\s*[a-z]*\s*")
"""A count with three digits behind one point: parts of one, or thousands set apart."""
SIGNS: Final = str.maketrans(
    {"µ": "u", "μ": "u", "²": "2", "³": "3", "°": "deg", "Ω": "Ohm", "\N{OHM SIGN}": "Ohm"}
)
"""Signs in units as people write them, and as units are spelt here."""


class UnitError(ValueError):
    """A quantity that cannot be read: what is wrong, and what would be right."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(f"{problem}; {remedy}")
        self.problem = problem
        self.remedy = remedy


def parse(text: object, dimension: str) -> float:
    """Read a quantity such as `"35 kN"` of one dimension (a key of `UNITS`) and return it in SI.

    Raises `UnitError` for a bare number, a decimal comma, nan, inf, an unknown unit and a unit of
    another dimension.
    """
    return parse_any(text, (dimension,))[0]


def parse_any(text: object, dimensions: tuple[str, ...]) -> tuple[float, str]:
    """Read a quantity of one of several dimensions; return it in SI, and its dimension."""
    wanted = f"give {example(*dimensions)}"
    if not isinstance(text, str):
        is_number = isinstance(text, int | float) and not isinstance(text, bool)
        said = "has no unit" if is_number else "is no quantity"
        raise UnitError(f"{shown(text)} {said}", wanted)
    number, unit = _split(text, wanted)
    for dimension in dimensions:
        if unit in UNITS[dimension]:
            if dimension == "cycles" and _TWO_READINGS.fullmatch(text):
                raise UnitError(*_two_readings(text, number, unit))
            value = number * UNITS[dimension][unit]
            if dimension == "temperature":
                value += _OFFSETS.get(unit, 0.0)
            if not math.isfinite(value):
                raise UnitError(f"{shown(text)} is not a finite number", wanted)
            return value, dimension
    raise UnitError(*_wrong_unit(text, unit, dimensions))


def parse_unit(text: object, dimension: str) -> tuple[float, float]:
    """Read a unit by itself, such as `"kN"`; return its factor and offset to SI.

    A number of it is number * factor + offset in SI. Raises `UnitError` for an unknown unit, one
    of another dimension, and a quantity.
    """
    known = UNITS[dimension]
    remedy = f"give one of {', '.join(known)}"
    if not isinstance(text, str):
        raise UnitError(f"{shown(text)} is no unit", remedy)
    unit = text.strip().translate(SIGNS)
    if unit in known:
        return known[unit], _OFFSETS.get(unit, 0.0) if dimension == "temperature" else 0.0
    other = _DIMENSIONS.get(unit)
    if other is not None:
        raise UnitError(f"{shown(text)} is a unit of {other}", remedy)
    near = _nearest(unit, list(known))
    hint = f'did you mean "{near}"? known are {", ".join(known)}' if near else remedy
    raise UnitError(f"{shown(text)} is no unit of {dimension}", hint)


def example(*dimensions: str) -> str:
    """Return words such as `a force such as "92 kN" or a percentage such as "70 %"`."""
    return " or ".join(_EXAMPLES[d] for d in dimensions)


def _split(text: str, wanted: str) -> tuple[float, str]:
    quoted = shown(text)
    stripped = text.strip()
    if re.search(r"[0-9],[0-9]", stripped):
        raise UnitError(
            f"{quoted} has a comma in its number",
            "write decimals with a point and no separator of thousands; " + wanted,
        )
    if re.match(r"[+-]?(nan|inf|infinity)\b", stripped, re.IGNORECASE):
        raise UnitError(f"{quoted} is not a finite number", wanted)
    match = _NUMBER.match(stripped)
    if match is None:
        raise UnitError(f"{quoted} is not a number with a unit", wanted)
    unit = stripped[match.end() :].strip().translate(SIGNS)
    if not unit:
        raise UnitError(f"{quoted} has no unit", wanted)
    return float(match[0]), unit


def _two_readings(text: str, number: float, unit: str) -> tuple[str, str]:
    few, many = f"{number:g}", f"{number * 1000:.0f}"
    remedy = f'write "{many} {unit}"'
    if number.is_integer():
        remedy = f'write "{few} {unit}" or "{many} {unit}"'
    return f"{shown(text)} can be read as {few} or as {many}", remedy


def _wrong_unit(text: str, unit: str, dimensions: tuple[str, ...]) -> tuple[str, str]:
    wanted = f"give {example(*dimensions)}"
    other = _DIMENSIONS.get(unit)
    if other is not None:
        return f"{shown(text)} is {example(other).split(' such as ')[0]}", wanted
    known = [u for d in dimensions for u in UNITS[d]]
    near = _nearest(unit, known)
    hint = f'did you mean "{near}"? ' if near else ""
    return (
        f"{shown(text)} has an unknown unit {shown(unit[:20])}",
        f"{hint}known are {', '.join(known)}",
    )


def _nearest(unit: str, known: list[str]) -> str | None:
    for candidate in known:
        if candidate.lower() == unit.lower():
            return candidate
    found = difflib.get_close_matches(unit, known, n=1, cutoff=0.5)
    return found[0] if found else None


def shown(value: object) -> str:
    """Return a value as the person wrote it, short enough for one line."""
    text = plain(_as_written(value))
    return text if len(text) <= 60 else text[:56] + "..."


def _as_written(value: object) -> str:
    match value:
        case str():
            return f'"{value}"'
        case bool():
            return str(value).lower()
        case list():
            return f"[{', '.join(map(_as_written, value))}]"
        case dict():
            pairs = (f" {key} = {_as_written(inner)}" for key, inner in value.items())
            return f"{{{','.join(pairs)}{' ' if value else ''}}}"
        case _:
            return str(value)


def plain(text: str) -> str:
    """Return a text with `?` for each character that a terminal would obey."""
    return "".join(c if c.isprintable() else "?" for c in text)
