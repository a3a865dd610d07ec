"""Quantities: as people write them in the files of a run, and as a page shows them.

Factors from NIST SP 811 (2008), Appendix B: inch 0.0254 m, pound-force 4.448 221 615 260 5 N.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal

POUND = 4.4482216152605
INCH = 0.0254

FORCE = {"N": 1.0, "kN": 1e3, "MN": 1e6, "lbf": POUND, "kip": 1000 * POUND}
LENGTH = {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "um": 1e-6, "in": INCH, "ft": 12 * INCH}
STRESS = {
    **{"Pa": 1.0, "kPa": 1e3, "MPa": 1e6, "GPa": 1e9, "N/mm2": 1e6, "bar": 1e5},
    **{"psi": POUND / INCH**2, "ksi": 1e3 * POUND / INCH**2},
}
AREA = {"m2": 1.0, "cm2": 1e-4, "mm2": 1e-6, "in2": INCH**2, "ft2": (12 * INCH) ** 2}
DENSITY = {"kg/m3": 1.0, "t/m3": 1e3, "g/cm3": 1e3, "lb/ft3": 0.45359237 / (12 * INCH) ** 3}
FREQUENCY = {"Hz": 1.0, "mHz": 1e-3, "kHz": 1e3}
CYCLES = {"cycles": 1.0, "cycle": 1.0}
FRACTION = {"%": 0.01}

WRITTEN = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(\S.*?)\s*")
SIGNS = {"µ": "u", "μ": "u", "²": "2", "³": "3", "Ω": "Ohm"}


def written(text: str, units: dict[str, float]) -> float:
    """Return a quantity [SI] that somebody wrote; a KeyError where the unit is not of these."""
    read = WRITTEN.fullmatch("".join(SIGNS.get(sign, sign) for sign in text))
    if read is None:
        raise ValueError(f"{text!r} is no quantity")
    return float(read[1]) * units[read[2]]


SHOWN = {
    "N": {"kN": 1e3, "N": 1.0},
    "m": {"mm": 1e-3, "µm": 1e-6},
    "N/m": {"kN/mm": 1e6},
    "J": {"J": 1.0},
    "Hz": {"Hz": 1.0},
    "Pa": {"MPa": 1e6},
    "m/s": {"mm/min": 1e-3 / 60},
    "N/s": {"kN/s": 1e3},
    "m3": {"L": 1e-3},
    "m3/s": {"L/min": 1e-3 / 60},
    "m2": {"mm²": 1e-6},
    "m3/m": {"mm²": 1e-6},
    "strain": {"µm/m": 1e-6},
    "%": {"%": 1e-2},
    "ratio": {"": 1.0},
    "a": {"years": 1.0},
    "kg": {"kg": 1.0},
    "kg/m3": {"kg/m³": 1.0},
    "m/s2": {"m/s²": 1.0},
    "Ohm": {"MΩ": 1e6},
    "K difference": {"K": 1.0},
    "m/cycle": {"nm/cycle": 1e-9},
    "m/decade": {"mm/decade": 1e-3},
    "s": {"s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0},
}
"""By SI unit, the units that a page may show, each in SI."""
FIGURES = re.compile(r"([+-]?\d+(?:,\d{3})*|[+-]?\d+)(\.\d+)?(e[+-]?\d+)?(?: (\S+))?")
LEAST = 3
"""Significant digits that are shown at least, but for noughts at the end."""


def told_wrong(value: float, unit: str, text: str, step: float = 0.0) -> str:
    """Return what is wrong with the text that is shown for a value [SI], "" where nothing is.

    Digits below a `step` [SI] need not be shown.
    """
    if math.isnan(value):
        return "a digit where there is no number" if re.search(r"\d", text) else ""
    read = FIGURES.fullmatch(text)
    if read is None:
        return "is no number"
    digits, suffix = read[1].replace(",", "") + (read[2] or "") + (read[3] or ""), read[4] or ""
    if unit == "1":
        return "" if Decimal(digits) == Decimal(value) and not suffix else "is another count"
    if unit == "K":
        right = suffix == "°C" and abs(value - 273.15 - float(digits)) <= 0.05 + 1e-9
        return "" if right else "is another temperature"
    if suffix not in SHOWN.get(unit, {}):
        return f"shows no {unit}"
    one = SHOWN[unit][suffix]
    return _digits_wrong(value / one, Decimal(digits), step / one)


def _digits_wrong(exact: float, told: Decimal, step: float) -> str:
    last = Decimal(1).scaleb(int(told.as_tuple().exponent))
    size = math.floor(math.log10(abs(exact))) if exact else 0
    finest = max(10.0 ** (size - LEAST + 1), step)
    bound = min(float(last), finest) if abs(exact) < 1000 else float(last)
    off = abs(exact - float(told))
    return "" if off <= bound / 2 + 1e-9 * abs(exact) else "differs in a digit that is shown"
