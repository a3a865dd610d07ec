"""How quantities are written into a rig file: the shortest text that gives them back exactly."""

from __future__ import annotations

from typing import Final

from rig.units import UNITS, parse

DIMENSIONS: Final = {
    "N": ("force", "kN", "N"),
    "m": ("length", "mm", "um"),
    "1": ("strain", "um/m", "mm/m"),
    "K": ("temperature", "degC"),
    "m3/s": ("flow", "L/min", "mL/min"),
    "m3": ("volume", "L"),
    "Pa": ("stress", "bar"),
    "m/s2": ("acceleration", "m/s2"),
    "Ohm": ("resistance", "MOhm", "Ohm"),
}
"""By SI unit: its dimension, and the units in which it may be written."""


def steps(unit: str) -> tuple[str, ...]:
    """Return the dimension and the units in which differences of an SI unit are written."""
    dimension, *units = DIMENSIONS[unit]
    return ("temperature difference", "K") if dimension == "temperature" else (dimension, *units)


def written(value: float, dimension: str, *units: str) -> str:
    """Return a quantity [SI] as people write it: the shortest text that gives it back exactly.

    Where none does and the dimension has no SI unit to write it in, the last digit may be lost.
    """
    texts = []
    for unit in units:
        zero = parse(f"0 {unit}", dimension) if dimension == "temperature" else 0.0
        texts.append(f"{(value - zero) / UNITS[dimension][unit]:.12g} {unit}")
    exact = [text for text in texts if parse(text, dimension) == value]
    if exact:
        return min(exact, key=len)
    plain = (unit for unit, factor in UNITS[dimension].items() if factor == 1.0)
    unit = next(plain, units[0])
    return f"{value / UNITS[dimension][unit]!r} {unit}"


def pair(bounds: tuple[float, float], dimension: str, *units: str) -> str:
    """Return two quantities [SI] as a TOML array."""
    return f"[{', '.join(quoted(written(bound, dimension, *units)) for bound in bounds)}]"


def quoted(text: str) -> str:
    """Return text as a TOML string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
