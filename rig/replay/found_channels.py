"""What the values of a foreign file tell of its channels, and the rig file made of that.

Nothing is known of the devices that measured, so the range is five times the largest magnitude:
nothing counts as saturated, and a protocol's limits lie inside it. The resolution is a
hundred-thousandth of that magnitude, finer than what most amplifiers show: rows are rounded as
those of a rig are, to less than a quarter of it. How near two values of a file come does not tell
it: of a few cycles without noise only a few values are there. (Both figures: no source.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.channels import Channel, channel_unit
from rig.protocol.bounds import channel_dimension
from rig.samples import SampleArray
from rig.units import parse

REACH: Final = 5.0  # times the largest magnitude
RESOLUTION: Final = 1e-5  # of the largest magnitude
_WRITTEN: Final = {"1": ("um/m", 1e6)}


@dataclass(slots=True)
class Measure:
    """The least and the largest value of one channel [SI], NaN before the first.

    `missing` is the number of those that have no value.
    """

    low: float = math.nan
    high: float = math.nan
    missing: int = 0

    def add(self, values: SampleArray) -> None:
        """Take the next values, shape (n,)."""
        self.missing += int(np.isnan(values).sum())
        if len(values):
            self.low = float(np.fmin(self.low, np.fmin.reduce(values)))
            self.high = float(np.fmax(self.high, np.fmax.reduce(values)))

    @property
    def magnitude(self) -> float:
        """The largest magnitude, 1 where nothing was measured or all is zero."""
        found = max(abs(self.low), abs(self.high))
        return found if math.isfinite(found) and found > 0 else 1.0


def channel_of(name: str, measure: Measure) -> Channel:
    """Return a channel as its values tell it, in numbers that its rig file holds too."""
    high = _short(REACH * measure.magnitude, name)
    resolution = _short(RESOLUTION * measure.magnitude, name)
    return Channel(name, channel_unit(name) or "1", resolution, -high, high)


def rig_text(channels: tuple[Channel, ...], rate: float) -> str:
    """Return the rig file of a recording that nothing is known of but its channels and rate."""
    tables = "\n".join(
        f'[[channel]]\nname = "{c.name}"\nresolution = "{_spoken(c.resolution, c.name)}"\n'
        f'range = ["{_spoken(c.low, c.name)}", "{_spoken(c.high, c.name)}"]\n'
        for c in channels
    )
    return _RIG.format(rate=repr(rate), channels=tables)


_RIG: Final = """\
# Made at import: what the imported values tell, and an actuator and pump without bounds.
name = "recording"
driver = "recording"
rate = "{rate} Hz"

[actuator]
load = ["-10000 kN", "10000 kN"]
stroke = ["-10 m", "10 m"]
speed = "1 m/s"
frequency = "50 Hz"
limits = "controller"

[pump]
flow = "600 L/min"
tank = "1000 m3"

{channels}"""


def _spoken(value: float, name: str) -> str:
    unit = channel_unit(name) or "1"
    word, factor = _WRITTEN.get(unit, (unit, 1.0))
    return f"{value * factor:.4g} {word}"


def _short(value: float, name: str) -> float:
    """Return a value [SI] as it is read back from the rig file."""
    text = _spoken(value, name)
    return parse(text, channel_dimension(name))
