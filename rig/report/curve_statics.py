"""Static checks of a recording, each with its samples, as its report draws them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from rig.channels import Channel
    from rig.record.entries import StaticRecord
    from rig.replay.recording import Recording
    from rig.samples import FloatArray


@dataclass(frozen=True, slots=True)
class Static:
    """A slow cycle: its place in the record from 0, what it showed, and its samples.

    `load` [N] and `deflection` (net) [m] have the shape (n,); both are empty where one of them
    was not kept. `first_frame` and `rate` place them on the device's time.
    """

    index: int
    cycle: int
    time: float
    stiffness: float
    reopening_load: float
    residual: float
    rate: float
    load: FloatArray
    deflection: FloatArray

    @property
    def drawn(self) -> bool:
        """Whether there is a curve of load against net deflection."""
        return bool(np.isfinite(self.load + self.deflection).any())


def deflection_step(channels: Iterable[Channel]) -> float:
    """Return the smallest change [m] that mid-span shows, NaN where that is not known."""
    steps = {channel.name: channel.resolution for channel in channels}
    return steps.get("deflection", steps.get("midspan", math.nan))


def statics_of(recording: Recording) -> tuple[Static, ...]:
    """Return the static checks of a recording in order."""
    return tuple(_static(index, record) for index, record in enumerate(recording.static()))


def _static(index: int, record: StaticRecord) -> Static:
    names = record.channels
    there = "load" in names and "deflection" in names
    load, deflection = (
        record.values[names.index(name)].astype(np.float64) if there else np.zeros(0)
        for name in ("load", "deflection")
    )
    return Static(
        index=index,
        cycle=record.cycle,
        time=record.time,
        stiffness=record.stiffness,
        reopening_load=record.reopening_load,
        residual=record.residual,
        rate=record.rate,
        load=load,
        deflection=deflection,
    )
