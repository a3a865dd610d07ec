"""Zeros: what each channel reads without load, at the start, at inspections, at the end.

Readings are written down and compared; nothing is ever set to zero by them. A load cell is held
against its first reading. What a transducer reads moves with the specimen too, which keeps some
deflection of each loading: it is held against the reading before, once cycles have been counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rig.channels import shown
from rig.control.levels import RETRACT, RETRACT_SPEED
from rig.control.slow_stages import contact
from rig.control.station import Station
from rig.judging.at_rest import lets_go
from rig.judging.looking import Averaged, Judge
from rig.protocol.dead_load import dead_load_words
from rig.protocol.plan import Approach

ZERO_TIME: Final = 10.0  # [s] of samples in one reading; common practice, no source
LIFT: Final = 1e-3  # [m] off the specimen; common practice, no source
FREE_WAY: Final = LIFT / 2  # [m] over which the load stays the same once the rod is free
WARN_SHIFT: Final = 0.003  # of the upper load, or of net deflection; common practice, no source
PAUSE_SHIFT: Final = 0.01  # of the upper load: the test does not go on by itself; as above
PAUSE_MOVED: Final = 0.10  # of net deflection; common practice for settlement, no source
_CELLS: Final = ("load", "load_2")
_TRANSDUCERS: Final = ("midspan", "support_left", "support_right")
_MAY_BE: Final = " since the last zeros: left in the specimen, settled, or a sensor slipped"


@dataclass(frozen=True, slots=True)
class Shift:
    """By which share of its scale the zero of a channel has moved, in words; `calls` for people.

    `may_be` says what it may come of, "" where that is plain.
    """

    text: str
    calls: bool
    may_be: str = ""


async def lift_and_read(station: Station, again: Approach) -> tuple[str, ...]:
    """Lift off a specimen at seat load, read the zeros, make contact again.

    Return what of it calls for somebody.
    """
    await station.load_to(station.seat, station.unload_rate)
    calls = await lift_off_and_read(station, f"inspection at cycle {station.cycle:,}")
    await contact(station, again)
    await station.load_to(station.seat, station.unload_rate)
    return calls


async def lift_off_and_read(station: Station, label: str) -> tuple[str, ...]:
    """Retract until the rod is free of the specimen, and read the zeros; return as above."""
    actuator = station.rig.actuator
    lowest, stroke = actuator.range.stroke_low, (await actuator.status()).stroke
    if stroke - lowest < FREE_WAY:
        return await read_zeros(station, label)  # the rod goes back no further
    for way in np.arange(LIFT, RETRACT + FREE_WAY, LIFT):
        judge = await station.stroke_to(
            max(stroke - float(way), lowest), RETRACT_SPEED, station.averaged()
        )
        if is_free(station, judge):
            return await read_zeros(station, label)
    text = f"the load still changes after {RETRACT * 1e3:g} mm: not free, no zeros read"
    station.book.event("zero", f"{label}: {text}")
    return (text,)


def is_free(station: Station, judge: Judge) -> bool:
    """Tell whether the rod has come free, by what a judge collected on its way back."""
    samples, names = collected(judge), station.book.sampled
    if not samples.shape[1]:
        return False
    load = samples[names.index("load")].astype(np.float64)
    way = -RETRACT_SPEED * np.arange(len(load)) / 10  # a mean of 0.1 s each
    stroke = samples[names.index("stroke")].astype(np.float64) if "stroke" in names else way
    return lets_go(load, stroke, FREE_WAY, WARN_SHIFT * station.load_scale)


async def read_zeros(station: Station, label: str) -> tuple[str, ...]:
    """Read every channel over `ZERO_TIME`; return what of it calls for somebody.

    The first reading is what later ones are compared with.
    """
    judge = await station.wait(ZERO_TIME, station.averaged())
    return write_zeros(station, label, judge)


def write_end(station: Station, judge: Judge) -> None:
    """Write the zeros at the end, where the rod has gone back and is still free of the specimen."""
    back = station.retracted
    if back is None or not collected(judge).shape[1]:
        return
    sunk = _sunk(station, back, judge)
    if not is_free(station, back):
        why = "the load still changed as the rod went back: not free of the specimen"
    elif sunk > RETRACT - LIFT:
        why = f"the rod has sunk by {sunk * 1e3:.1f} mm since it went back: free no more"
    else:
        write_zeros(station, "end", judge)
        return
    station.book.event("zero", f"end: {why}; no zeros read")


def _sunk(station: Station, back: Judge, judge: Judge) -> float:
    """Return by how much the rod has sunk [m] since it went back, 0 where no stroke is sampled."""
    if "stroke" not in station.book.sampled:
        return 0.0
    row = station.book.sampled.index("stroke")
    return float(collected(judge)[row, -1] - collected(back)[row, -1])


def collected(judge: Judge) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    """Return what a judge of `Station.averaged` has collected, shape (channels + 1, n)."""
    return judge.samples() if isinstance(judge, Averaged) else np.empty((1, 0), np.float32)


def write_zeros(station: Station, label: str, judge: Judge) -> tuple[str, ...]:
    """Write the means of what a judge collected; return what of it calls for somebody."""
    samples = collected(judge)
    if not samples.shape[1]:
        return ()
    means = samples.mean(axis=1, dtype=np.float64)
    now = dict(zip((*station.book.sampled, "deflection"), map(float, means), strict=True))
    if not station.zeros:
        station.zeros = now
        if words := dead_load_words(station.plan.rig.trust.frame):
            station.book.event("dead load", words)
    for channel, value in now.items():
        shift = f"shift {shown(channel, value - station.zeros[channel], difference=True)}"
        station.book.zero(channel, value, f"{label}: {shift}")
    shifts = tuple(_shifts(station, now))
    for moved in shifts:
        station.book.event("zero", f"{label}: {moved.text}{moved.may_be}")
    # Before the first cycle bedding and cracks move a specimen more than any sensor slips.
    station.zeros_before = now if station.book.counted else {}
    return tuple(shift.text for shift in shifts if shift.calls)


def _shifts(station: Station, now: Mapping[str, float]) -> Iterator[Shift]:
    """Yield the zeros that have moved by more than a little."""
    first, before, bends = station.zeros, station.zeros_before, net_range(station)
    for name in _CELLS:
        share = abs(now[name] - first[name]) / station.load_scale if name in now else 0.0
        if share > WARN_SHIFT:
            cell = "the load cell's zero" if name == "load" else f"the zero of {name}"
            text = f"{cell} has moved by {share:.2%} of the upper load"
            yield Shift(text, share > PAUSE_SHIFT)
    for name in _TRANSDUCERS:
        moved = abs(now[name] - before[name]) if name in now and name in before else 0.0
        if bends > 0 and moved > WARN_SHIFT * bends:
            text = f"{name} without load has moved by {moved / bends:.1%} of the net deflection"
            yield Shift(text, moved > PAUSE_MOVED * bends, _MAY_BE)


def net_range(station: Station) -> float:
    """Return by how much the newest cycle bent the specimen from its first zero [m], 0 unknown."""
    rows, zeros = station.book.newest, station.zeros
    if rows is None or "deflection" not in zeros:
        return 0.0
    bends = abs(float(rows["deflection_max"][-1]) - zeros["deflection"])
    return bends if np.isfinite(bends) else 0.0
