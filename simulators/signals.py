"""What goes on in a rig, before any sensor: arrays of frames."""

from __future__ import annotations

from dataclasses import dataclass

from rig.samples import FloatArray
from simulators.recorded import Lines


@dataclass(frozen=True, slots=True)
class Signals:
    """Load [N], net deflection, support movement, stroke [m]: one value, one cycle, or frames.

    `lines` are those of a recorded specimen. `acceleration` [m/s2] is that of the rod; None where
    it counts for nothing.
    """

    load: FloatArray
    net: FloatArray
    support: FloatArray
    stroke: FloatArray
    lines: Lines | None = None
    acceleration: FloatArray | None = None
