"""The fixed channel names, their SI units, and what is known of one measured signal.

Layer 0 without numpy, so that reading files stays quick.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

CHANNEL_UNITS: Final[dict[str, str]] = {
    "load": "N",
    "load_2": "N",
    "stroke": "m",
    "midspan": "m",
    "support_left": "m",
    "support_right": "m",
    "end_slip_": "m",
    "crack_opening": "m",
    "strain_": "1",
    "temperature_air": "K",
    "temperature_water": "K",
    "temperature_oil": "K",
    "flow": "m3/s",
    "level": "m",
    "tank": "m3",
    "pressure": "Pa",
    "acceleration": "m/s2",
    "insulation_": "Ohm",
    "deflection": "m",
}
"""SI unit of each channel name; a name that ends in `_` stands for a numbered family."""


def channel_unit(name: str) -> str | None:
    """Return the SI unit of a channel name such as `end_slip_3`, or None for an unknown name."""
    stem = name.rstrip("0123456789")
    # A family needs a number, and nothing else takes one: `load2` is no second load.
    if stem.endswith("_") and stem in CHANNEL_UNITS:
        return CHANNEL_UNITS[stem] if stem != name else None
    return CHANNEL_UNITS.get(name)


SHOWN: Final[dict[str, tuple[str, float, float]]] = {
    "N": ("kN", 1e-3, 0.0),
    "m": ("mm", 1e3, 0.0),
    "N/m": ("kN/mm", 1e-6, 0.0),
    "m3/s": ("L/min", 6e4, 0.0),
    "m3": ("L", 1e3, 0.0),
    "Pa": ("bar", 1e-5, 0.0),
    "K": ("°C", 1.0, -273.15),
    "Hz": ("Hz", 1.0, 0.0),
    "1": ("µm/m", 1e6, 0.0),
    "m/s2": ("m/s²", 1.0, 0.0),
    "Ohm": ("MΩ", 1e-6, 0.0),
}
"""What people are shown an SI unit in: their unit, factor, and what is added."""


def shown(name: str, *values: float, digits: int = 5, difference: bool = False) -> str:
    """Return values of a channel [SI] as people read them, such as "97.13 kN".

    A `difference` of two values has no zero of its own: 0.3 K are 0.3 °C.
    """
    unit = channel_unit(name) or ""
    word, factor, added = SHOWN.get(unit, (unit, 1.0, 0.0))
    zero = 0.0 if difference else added
    text = " to ".join(f"{value * factor + zero:.{digits}g}" for value in values)
    return f"{text} {word}".rstrip()


@dataclass(frozen=True, slots=True)
class Channel:
    """One measured signal, calibrated to SI.

    `resolution` is the smallest change the channel shows [SI]; `low` and `high` its range [SI].
    `slow` channels come about once a second beside the sampled ones.
    """

    name: str
    unit: str
    resolution: float
    low: float
    high: float
    noise: float = 0.0
    slow: bool = False
