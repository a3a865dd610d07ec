"""Channels that have moved at once and stay there, while the others have not: knocked, slipped.

The 16 newest groups are held against 16 before them: all of these must differ from all of those.
Windows in which water came on or went off, or over which the test stood, are left out: people and
water move what they touch.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from rig.criteria.agreement import KEPT, SUPPORTS, Settling, Together, unsure_mean
from rig.criteria.groups import LOAD, NET, Groups

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SIDE: Final = 16
"""Groups after, and groups before; the one between them may be half of one, half of the other.
Whoever leans on a frame goes again sooner. A power of two (`_extremes`)."""
MOVED: Final = 0.04
"""Of the settled net deflection range. Chosen by rehearsals: creep and bedding stay below."""
SETTLED_SHARE: Final = 0.10
"""Of that range, for a support; common practice, no source."""
OWN_SHARE: Final = 0.10
"""Of a channel's own range, for cracks, slips and strains."""
LEAST_SLIP: Final = 25e-6
"""[m] of crack opening or end slip; the onset of slip, common practice, no source."""
LEAST_STRAIN: Final = 50e-6
SHARED: Final = 1 / 3
"""Of a movement that another channel must show to have shared it."""
STRAIGHT: Final = 0.3
"""Of a movement, by which the range may change: what bends further also swings further."""
AT_ONE_LOAD: Final = 0.02
"""Of the load range that its mean may have moved."""
STILL: Final = 0.02
"""Of the settled net deflection range: mid-span has not moved with a crack, slip or strain."""
STOOD: Final = 2.0
"""Times the shortest way from group to group: the test has stood."""

Displaced = tuple[str, str, str, BoolArray, str]
"""Channel, kind, action, where it holds, and text."""


def displaced(together: Together) -> Iterator[Displaced]:
    """Yield for each channel where it has moved alone: channel, kind, action, groups, text."""
    base, groups, setup = together.base, together.groups, together.setup
    if base is None or len(groups) < KEPT:
        return
    settled = float(base.median.range(NET)[0])
    steps = {c: _step(groups.mean(c)) for c in (LOAD, NET, *setup.channels)}
    steady = _steady(groups) & ~(np.abs(steps[LOAD]) > AT_ONE_LOAD * base.median.range(LOAD))
    wider = np.abs(_step(groups.range(NET)))
    middle, rod = (steps.get(c, np.full(len(groups), np.nan)) for c in ("midspan", "stroke"))
    carried = np.zeros(len(groups), np.bool_)
    for support in (c for c in SUPPORTS if c in steps):
        own = steps[support]
        far = steady & (np.abs(own) > max(MOVED * settled, unsure_mean(setup, base, support)))
        along = middle * np.sign(own) >= SHARED / 2 * np.abs(own)
        carried |= far & along
        sinks = far & along & (np.abs(own) > SETTLED_SHARE * settled)
        yield support, "support", "warn", sinks, f"{support} and midspan moved at once: settlement"
        text = f"{support} moved at once and nothing else did: look at its sensor and foot"
        yield f"{support} alone", "sensor", "pause", far & ~along, text
    far = steady & (np.abs(middle) > max(MOVED * settled, unsure_mean(setup, base, "midspan")))
    alone = far & ~carried & (wider < STRAIGHT * np.abs(middle))
    alone &= ~(rod * np.sign(middle) >= SHARED * np.abs(middle))
    text = "midspan moved at once, its range and nothing else did: look at its sensor and foot"
    if "stroke" not in steps:
        text = (
            "midspan moved at once and its range did not change: look at its sensor and foot, "
            "and for a support that settled (there is no stroke channel to tell)"
        )
    yield "midspan", "sensor", "pause", alone, text
    if "stroke" in steps:
        far = steady & (np.abs(rod) - unsure_mean(setup, base, "stroke") > SETTLED_SHARE * settled)
        alone = far & ~(middle * np.sign(rod) >= SHARED * np.abs(rod))
        text = "the stroke moved at once and midspan did not: look at bearings, spreader and frame"
        yield "stroke", "sensor", "warn", alone, text
    still = (np.abs(middle) < STILL * settled) & (wider < STILL * settled)
    for channel in setup.channels:
        least = _least_of(base, channel)
        if least is None:
            continue
        far = steady & (np.abs(steps[channel]) > max(least, unsure_mean(setup, base, channel)))
        text = f"{channel} moved at once and midspan did not: look at its sensor"
        yield channel, "sensor", "pause", far & still, text


def _least_of(base: Settling, channel: str) -> float | None:
    """Return what a crack, slip or strain must move to be told of [SI]; None for others."""
    family = channel.rstrip("0123456789")
    least = {"crack_opening": LEAST_SLIP, "end_slip_": LEAST_SLIP, "strain_": LEAST_STRAIN}
    if family not in least:
        return None
    return max(least[family], OWN_SHARE * float(base.median.range(channel)[0]))


def _step(values: FloatArray) -> FloatArray:
    """Return at each group by how much all of the newest groups differ from all before [SI].

    It is what lies between the two, 0 where they overlap or too few are there.
    """
    least, most = _extremes(values, np.minimum), _extremes(values, np.maximum)
    later = SIDE + 1
    up, down = least[later:] - most[:-later], most[later:] - least[:-later]
    result = np.zeros(len(values))
    result[KEPT - 1 :] = np.where(up > 0, up, np.where(down < 0, down, 0.0))
    return result


def _extremes(values: FloatArray, pick: np.ufunc) -> FloatArray:
    """Return the least or most of each 16 values in a row."""
    width = 1
    while width < SIDE:  # twice as wide each time
        values = pick(values[:-width], values[width:])
        width *= 2
    return values


def _steady(groups: Groups) -> BoolArray:
    """Tell at which groups the test has gone on and water has neither come nor gone."""
    result = np.zeros(len(groups), np.bool_)
    wet = sliding_window_view(groups.of("wet"), KEPT)
    same = wet.min(axis=1) == wet.max(axis=1)
    ways = sliding_window_view(np.diff(groups.of("time")), KEPT - 1)
    stood = ways.max(axis=1) > STOOD * ways.min(axis=1)  # never where times are not known
    result[KEPT - 1 :] = same & ~stood
    return result
