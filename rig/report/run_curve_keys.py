"""How the numbers of the curves are worked out from run.h5, by the keys they carry."""

from __future__ import annotations

from typing import Final

CURVE_KEYS: Final[dict[str, str]] = {
    "derived.upper_load": (
        "the upper load [N] of [loading] in the protocol: the force as given, or the share of "
        "the capacity; of a capacity from a series the mean of its ultimate loads"
    ),
    "derived.lower_load": "as derived.upper_load, of the lower load",
    "derived.overload.102.count": (
        "rows up to the verdict whose load_max is over 1.02 times derived.upper_load"
    ),
    "derived.overload.105.count": (
        "rows up to the verdict whose load_max is over 1.05 times derived.upper_load"
    ),
    "derived.overload.105.first": "number of the first row counted in derived.overload.105.count",
    "derived.worst.I.number": (
        "rows up to the verdict, sorted by the larger of |load_max - derived.upper_load| and "
        "|load_min - derived.lower_load|, the largest first and of equal ones the earlier: "
        "number of the row at place I from 0; rows without one of both are left out"
    ),
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
    "derived.stiffness_loss.at.N": (
        "1 - the median of stiffness over the rows of cycles N - W + 1 to N over its median over "
        "the rows of cycles derived.baseline.first to derived.baseline.last, both without those "
        "that are no number; W is derived.median_window"
    ),
    "derived.stiffness_loss.last": "derived.stiffness_loss.at.N of the last row up to the verdict",
    "derived.shear_span": "half of span less load_spacing of the specimen file",
    "derived.largest_width": "the largest width of the section of the specimen file",
    "derived.height": "the last depth of outline of the specimen file",
    "derived.static_loss": (
        "of the static checks with a cycle over 0, a stiffness and a re-opening load: 1 - "
        "stiffness of the last over that of the first"
    ),
    "derived.end_slip_N_max.onset": (
        "first number up to the verdict whose end_slip_N_max is at least 0.025 mm"
    ),
    "derived.end_slip_N_max.mark": (
        "first number up to the verdict whose end_slip_N_max is at least 0.1 mm"
    ),
    "derived.debonded_length.at.N": (
        "needs the program (model of discrete cracks): the length over which the tendons have "
        "lost their bond at which one crack at mid-span, with one bond stress at any slip, opens "
        "as far as the median of crack_opening_max under the median of load_max, both over the "
        "25 rows up to and including N"
    ),
    "derived.effective_prestress.I": (
        "reopening_load of static check I, as a moment at mid-span with self weight, over the "
        "decompression moment, times the prestress (mean of the tendons, by area) at which the "
        "concrete beside them has no strain; both moments and the prestress are those of the "
        "specimen file by this program"
    ),
    "derived.effective_prestress.I.share": "derived.effective_prestress.I over that prestress",
    "derived.effective_prestress.I.low": (
        "as derived.effective_prestress.I, of the lower end of the interval that the text of the "
        "event of kind static at place I among those tells"
    ),
    "derived.effective_prestress.I.high": "the same of the upper end",
    "static.I.samples.CHANNEL.K": (
        "sample K, from 0, of check I: /static/samples/CHANNEL at offset + K"
    ),
    "derived.median_window": (
        "confirm of stiffness_loss in [failure] of the protocol, at most 100; 100 where it has none"
    ),
    "derived.loop.N.load.min": (
        "smallest load of counted cycle N sample by sample: of the records of /full_rate/index "
        "whose rate is the root attribute rate the frames from ceil(time x rate) of row N up to "
        "and without ceil(time x rate + rate/frequency)"
    ),
    "derived.loop.N.load.max": "the largest of them",
    "derived.loop.N.deflection.min": (
        "smallest net deflection of the same samples: deflection as kept, else midspan less the "
        "mean of the supports kept, in single precision"
    ),
    "derived.loop.N.deflection.max": "the largest of them",
    "derived.static.I.load.max": (
        "largest of the samples of load of check I; the samples of check I are those from offset "
        "up to and without offset + frames of /static/samples"
    ),
    "derived.static.I.deflection.at_load_max": "deflection in the first sample with that load",
    "derived.static.I.deflection.max": "largest of the samples of deflection of static check I",
    "derived.static.I.first_crack.load": (
        "of the samples of check I up to its largest load, averaged in groups where there are "
        "more than 1500: the points whose deflection is at least 0.98 times the largest so far. "
        "A line of deflection on load (least squares) is fitted to those between 10 and 40 % of "
        "the largest load so far, at least 8 of them, once that load is 5 % of the largest of "
        "the check and 3.3 x (1 + 5/(n - 2)) standard errors of the line, as a load, lie within "
        "5 % of its load there. The first crack is the first of three points in a row whose load "
        "is under 0.95 times the line's load at its deflection; this is its load"
    ),
    "derived.static.I.first_crack.deflection": "the deflection of that point",
    "derived.stop.time": (
        "time of the last event of kind state whose text begins with stopping, else of the last "
        "event of kind verdict, else root attribute ended_time"
    ),
    "derived.stop.CHANNEL.before.min": (
        "smallest sample of load, net deflection (deflection as kept, else midspan less the mean "
        "of the supports kept, in single precision) or stroke in the full-rate records labelled "
        "stop, of any label where none is there, with round((t - 60) x rate) <= frame < round((t "
        "+ 10) x rate), t being derived.stop.time, and frame/rate < t"
    ),
    "derived.stop.CHANNEL.before.max": "the largest of them",
    "derived.stop.CHANNEL.after.min": "the smallest of those with frame/rate >= t",
    "derived.stop.CHANNEL.after.max": "the largest of them",
}

CURVE_CONSTANTS: Final[dict[str, tuple[float, str]]] = {
    "worst": (20, "1"),
    "overloaded": (1.02, "%"),
    "marked": (1.05, "%"),
    "length_window": (25, "1"),
    "interval": (0.95, "%"),
    "slip_onset": (25e-6, "m"),
    "slip_mark": (100e-6, "m"),
    "crack_offset": (0.05, "%"),
    "before_stop": (60.0, "s"),
    "after_stop": (10.0, "s"),
}
"""Value [SI] and unit of each `constant.NAME` of the curves."""
