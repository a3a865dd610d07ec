"""How the numbers of the curves are worked out from run.h5, by the keys they carry."""

from __future__ import annotations

from typing import Final

CURVE_KEYS: Final[dict[str, str]] = {
    "derived.upper_load": "the upper load [N] of [loading] in the protocol: the force as given, or "
    "the share of the capacity; of a capacity from a series the mean of its ultimate loads",
    "derived.lower_load": "as derived.upper_load, of the lower load",
    "derived.overload.102.count": "rows up to the verdict whose load_max is over 1.02 times "
    "derived.upper_load",
    "derived.overload.105.count": "rows up to the verdict whose load_max is over 1.05 times "
    "derived.upper_load",
    "derived.overload.105.first": "number of the first row counted in derived.overload.105.count",
    "derived.worst.I.number": "rows up to the verdict, sorted by the larger of |load_max - "
    "derived.upper_load| and |load_min - derived.lower_load|, the largest first and of equal ones "
    "the earlier: number of the row at place I from 0; rows without one of both are left out",
    "derived.worst.I.load_max": "load_max of that row",
    "derived.worst.I.load_min": "load_min of that row",
    "derived.worst.I.off": "the larger distance of that row",
    "derived.worst.I.of_upper": "load_max of that row over derived.upper_load",
    "derived.CHANNEL_range.WHAT": "WHAT (as of a column) of CHANNEL_max - CHANNEL_min, row by row",
    "derived.number.of.CHANNEL_range.WHAT": "the cycle where that is",
    "derived.CHANNEL_range.at.N": "CHANNEL_max - CHANNEL_min at counted cycle N",
    "derived.baseline.first": "first cycle of [baseline] in the protocol, 2000 where it says none",
    "derived.baseline.last": "last cycle of [baseline] in the protocol, 3000 where it says none",
    "derived.loss.stop": "stop of stiffness_loss in [failure] of the protocol",
    "derived.loss.warn": "warn of stiffness_loss in [failure] of the protocol",
    "derived.stiffness_loss.at.N": "1 - the median of stiffness over the window of cycles up to "
    "and including N over its median over the baseline; the window is confirm of stiffness_loss, "
    "at most 100, and 100 where the protocol has none",
    "derived.stiffness_loss.last": "derived.stiffness_loss.at.N of the last row up to the verdict",
    "derived.shear_span": "half of span less load_spacing of the specimen file",
    "derived.largest_width": "the largest width of the section of the specimen file",
    "derived.height": "the last depth of outline of the specimen file",
}
