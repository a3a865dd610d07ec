"""What the values of a foreign file tell of its channels, and the rig file made of that.

Nothing is known of the devices that measured. The resolution is the smallest step between two
values found, at the beginning; the range five times the largest magnitude, so that nothing
counts as saturated and a protocol's limits lie inside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from rig.channels import Channel, channel_unit
from rig.protocol.bounds import channel_dimension
from rig.samples import SampleArray
from rig.units import parse

LOOKED_AT: Final = 65536  # values, for the resolution
REACH: Final = 5.0  # times the largest magnitude
_FINEST: Final = 2.0**-22  # of the magnitude: what float32 still shows
_WRITTEN: Final = {"1": ("um/m", 1e6), "K": ("K", 1.0)}


@dataclass(slots=True)
class Measure:
    """The values of one channel [SI], as they come."""

    low: float = math.nan
    high: float = math.nan
    _seen: int = 0
    _parts: list[SampleArray] = field(default_factory=list)

    def add(self, values: SampleArray) -> None:
        """Take the next values, shape (n,), float32."""
        if not len(values):
            return
        self.low = float(np.fmin(self.low, np.fmin.reduce(values)))
        self.high = float(np.fmax(self.high, np.fmax.reduce(values)))
        if self._seen < LOOKED_AT:
            self._parts.append(values[: LOOKED_AT - self._seen].copy())
            self._seen += len(self._parts[-1])

    @property
    def magnitude(self) -> float:
        """The largest magnitude, 1 where nothing was measured."""
        found = max(abs(self.low), abs(self.high))
        return found if math.isfinite(found) and found > 0 else 1.0

    @property
    def resolution(self) -> float:
        """The smallest step between values, no finer than float32 shows."""
        finest = _FINEST * self.magnitude
        values = np.concatenate([np.empty(0, np.float32), *self._parts]).astype(np.float64)
        steps = np.diff(np.unique(values[np.isfinite(values)]))
        # What differs by less is one value that was written or converted in two ways.
        steps = steps[steps > finest]
        return float(steps.min()) if len(steps) else finest


def channel_of(name: str, measure: Measure) -> Channel:
    """Return a channel as its values tell it, in numbers that its rig file holds too."""
    high = _short(REACH * measure.magnitude, name)
    resolution = _short(min(measure.resolution, measure.magnitude / 10), name)
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
