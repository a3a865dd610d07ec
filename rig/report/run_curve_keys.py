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
        "1 - the median of stiffness over the window of cycles up to and including N over its "
        "median over the baseline; the window is confirm of stiffness_loss, at most 100, and 100 "
        "where the protocol has none"
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
        "length [m] over which the tendons have lost their bond that explains the medians of "
        "load_max and crack_opening_max over the 25 rows up to and including N, by the model of "
        "discrete cracks of this program: one crack at mid-span, one bond stress; not to be "
        "worked out from run.h5 alone"
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
    "derived.static.drawn.count": (
        "static checks with samples of load and deflection, but one that is drawn by itself"
    ),
    "derived.static.I.load.max": "largest of the samples of load of static check I",
    "derived.static.I.deflection.at_load_max": "deflection in the first sample with that load",
    "derived.static.I.deflection.max": "largest of the samples of deflection of static check I",
    "static.I.samples.CHANNEL.K": "sample K from 0 of a channel of static check I",
    "derived.static.I.first_crack.load": (
        "where the load of three samples in a row of static check I lies 5 % under the line "
        "fitted to those between 10 and 40 % of the highest load so far: the load of the first "
        "of them"
    ),
    "derived.static.I.first_crack.deflection": "the deflection of that sample",
    "derived.loop.count": (
        "loops that are drawn: those of the counted cycles kept whole in a full-rate record that "
        "are nearest to 1, 10, 100 ..., within 15 %, and to the last"
    ),
    "derived.loop.I.number": "number of the counted cycle of loop I from 0",
    "derived.loop.I.load.min": (
        "smallest sample of load between the first frame at or after time x rate of that row and "
        "the first at or after (time + 1/frequency) x rate"
    ),
    "derived.loop.I.load.max": "largest sample of load there",
    "derived.loop.I.deflection.min": (
        "smallest net deflection there: midspan less the mean of the supports that were kept, or "
        "deflection where that was kept"
    ),
    "derived.loop.I.deflection.max": "largest net deflection there",
    "derived.spray.seconds": "sum of time_off - time_on of /spray",
    "derived.spray.volume": "sum of volume of /spray",
    "derived.stop.time": (
        "time of the last event of kind state that begins with stopping; without one that of the "
        "last verdict; without one root attribute ended_time"
    ),
    "derived.stop.CHANNEL.before.min": (
        "smallest sample of load, net deflection (as of derived.loop.I) or stroke in the "
        "full-rate records labelled stop, of the 60 s before derived.stop.time"
    ),
    "derived.stop.CHANNEL.before.max": "the largest of them",
    "derived.stop.CHANNEL.after.min": "the smallest in the 10 s from derived.stop.time on",
    "derived.stop.CHANNEL.after.max": "the largest of them",
}
