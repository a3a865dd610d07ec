"""Zeros: what each channel reads without load, at the start, at inspections, at the end.

Readings are written down and compared with the first; nothing is ever set to zero by them.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rig.channels import shown
from rig.control.slow_stages import contact
from rig.control.station import RETRACT_SPEED, Station
from rig.judging.looking import Averaged, Judge
from rig.protocol.plan import Approach

ZERO_TIME: Final = 10.0  # [s] of samples in one reading; common practice, no source
LIFT: Final = 1e-3  # [m] off the specimen; common practice, no source
WARN_SHIFT: Final = 0.003  # of the upper load; common practice, no source
PAUSE_SHIFT: Final = 0.01  # of the upper load: the test does not go on by itself


async def lift_and_read(station: Station, again: Approach) -> float:
    """Lift off a specimen at seat load, read the zeros, make contact again.

    Return the load cell's shift since the first reading as a share of the upper load.
    """
    await station.load_to(station.seat, station.unload_rate)
    stroke = (await station.rig.actuator.status()).stroke
    await station.stroke_to(stroke - LIFT, RETRACT_SPEED)
    shift = await read_zeros(station, f"inspection at cycle {station.book.counted:,}")
    await contact(station, again)
    await station.load_to(station.seat, station.unload_rate)
    return shift


async def read_zeros(station: Station, label: str) -> float:
    """Read every channel over `ZERO_TIME`; return the load's shift as a share of the upper load.

    The first reading is what later ones are compared with.
    """
    judge = await station.wait(ZERO_TIME, averaged_from(station))
    return write_zeros(station, label, judge)


def averaged_from(station: Station) -> Averaged:
    """Return a judge that collects samples from the present frame on."""
    return Averaged(station.stream.now, max(round(station.stream.rate / 10), 1))


def write_zeros(station: Station, label: str, judge: Judge) -> float:
    """Write the means of what a judge collected; return the load's shift as in `read_zeros`."""
    samples = judge.samples() if isinstance(judge, Averaged) else np.empty((1, 0), np.float32)
    if not samples.shape[1]:
        return 0.0
    means = samples.mean(axis=1, dtype=np.float64)
    now = dict(zip((*station.book.sampled, "deflection"), map(float, means), strict=True))
    first = station.zeros or now
    station.zeros = first
    for channel, value in now.items():
        shift = f"shift {shown(channel, value - first[channel], difference=True)}"
        station.book.zero(channel, value, f"{label}: {shift}")
    share = abs(now["load"] - first["load"]) / station.load_scale
    if share > WARN_SHIFT:
        station.book.event(
            "zero", f"{label}: the load cell's zero has moved by {share:.2%} of the upper load"
        )
    return share
