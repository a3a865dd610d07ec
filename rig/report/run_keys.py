"""How numbers of a run's report are worked out from run.h5, by key; and the report's own constants.

A key that begins with the name of something in run.h5 is that value itself. What is derived is told
here in a sentence each, so that a stranger can work it out again without this program. `I` stands
for a row counted from 0, `A` and `B` for counted cycles, `NAME` for a name.
"""

from __future__ import annotations

from typing import Final

from rig.control.water_account import DRY_DEVIATION
from rig.protocol.series_doubts import LONG_UNLOADED
from rig.report.crack_keys import DERIVED_CRACKS
from rig.report.measure import COUNT, Measure
from rig.report.photos import PHOTO_KEYS
from rig.report.run_curve_keys import CURVE_CONSTANTS, CURVE_KEYS

CONSTANTS: Final[dict[str, tuple[float, str]]] = {
    "dry": (DRY_DEVIATION, "s"),
    "long_interruption": (LONG_UNLOADED, "s"),
    "late_unloading": (1e5, COUNT),
    "events_shown": (200.0, COUNT),
    "rows_shown": (200.0, COUNT),
    **CURVE_CONSTANTS,
}
"""Value [SI] and unit of what the report itself sets; common practice, no source."""

_OWN: Final[dict[str, str]] = {
    "derived.utc.KEY": "root attribute started_utc plus the test time [s] that stands at KEY, cut "
    "to the full second; interruptions.I.end is its time plus its duration",
    "derived.stiffness_loss.first_seen": "the first counted cycle after the baseline whose own "
    "/cycles/stiffness is at or below (1 - stop) times the baseline's median, stop being that of "
    "[failure] stiffness_loss",
    "derived.share_of_run_out": "root attribute cycles over run_out of the first cyclic stage",
    "derived.run_out": "run_out of the first cyclic stage of the protocol",
    "derived.capacity": "capacity of [loading]; where capacity_from names a series, the mean of "
    "the loads of its [[ultimate]] whose group has the exposure named, those with valid = false "
    "and those with residual = true left out",
    "derived.level": "upper load over capacity",
    "derived.stress_ratio": "lower load over upper load",
    "derived.frequency": "frequency of [loading] of the protocol",
    "derived.tendon_range": "stress range of the tendon layer with the largest one between lower "
    "and upper load at mid-span, by the section of the specimen file: plane sections, the "
    "stress-strain laws of the file, no tension in concrete once it has cracked, the moment being "
    "load times (span less load_spacing) over 4 and that of the self weight; an unbonded tendon "
    "gains evenly with the moment what ACI 318 gives it at the ultimate moment. As `predict` says",
    "derived.concrete_max": "concrete stress at the top at upper load, by the same section, over "
    "the strength of the specimen file",
    "derived.concrete_min": "the same at lower load",
    "derived.residual_share": "root attribute residual_load over the capacity",
    "derived.ultimate.load": "the largest load [kN] named in root attribute why after `ultimate "
    "load` or `it had held`",
    "derived.ultimate.deflection": "the net deflection [mm] named in root attribute why right "
    "after that load",
    "derived.age": "days from `cast` of [history] in the specimen text to root attribute "
    "started_utc, as a time",
    "derived.water.wet": "seconds that the rows of /spray with confirmed = 1 cover together",
    "derived.water.volume": "sum of volume of /spray",
    "derived.water.unconfirmed": "seconds of the rows of /spray with confirmed = 0, summed",
    "derived.water.missed": "number of events whose text begins with `spray period missed`",
    "derived.water.dry_spells": "number of events of kind deviation whose text begins with `was "
    "dry for`",
    "derived.water.dry.I": "hours named in the text of event I, as a time",
    "derived.interruptions.sum": "seconds that the rows of /interruptions cover together",
    "derived.interruptions.unloaded": "the same of the rows whose text has `; unloaded` in it",
    "derived.interruptions.long": "number of rows with `; unloaded` in their text and a duration "
    "over 24 h",
    "derived.interruptions.late": "number of rows with `; unloaded` in their text after more than "
    "100000 counted cycles",
    "derived.inspections.asked": "number of counts below root attribute cycles at which "
    "[inspections] of the protocol asks for one: those in `at`, and the multiples of `then_every` "
    "above the last of them; none without a cyclic stage",
    "derived.inspections.left": "that number less the rows of /inspections whose cycle is no "
    "higher than root attribute cycles, 0 at the least",
    "derived.zero_shift.I": "value of row I of /zeros less the value of the first row of /zeros of "
    "the same channel whose text does not begin with `moved: `",
    "derived.prestress.I": "MPa named after `effective prestress` in the text of event I",
    "derived.events.left_out": "rows of /events less those in the report's own table of events",
    "derived.events.KIND.count": "number of rows of /events of that kind; of any of several that "
    "are joined by +; _ stands for a blank",
    "derived.forecast.I.median": "cycle named in the text of event I after `expected at cycle`",
    "derived.forecast.I.low": "the first cycle named in the text of event I after `between`",
    "derived.forecast.I.high": "the second cycle named in the text of event I after `between`",
    "derived.forecast.I.ratio": "median of event I over root attribute cycles",
    "derived.forecast.I.error": "decimal logarithm of the median of event I over root attribute "
    "cycles",
    "derived.forecast.inside": "number of forecasts whose interval holds root attribute cycles",
    "derived.forecast.count": "number of events of kind forecast that name a cycle",
    "derived.samples_a_cycle": "root attribute rate over the median of /cycles/frequency",
    "derived.rows.NAME": "number of rows of the table NAME",
    "derived.after_end": "number of rows of /cycles flagged after-end",
    "derived.missing.NAME": "number of rows of /cycles up to the verdict in which NAME is NaN",
    "derived.spray.I.lasted": "time_off less time_on of row I of /spray",
    "derived.doubts.I": "what `check` doubts of the rig on the day of started_utc; needs the "
    "program",
    "slow.NAME.count": "rows of /slow/NAME that are numbers",
    "slow.NAME.missing": "rows of /slow/NAME that are no numbers",
    "slow.NAME.name": "the name of the channel",
    "cycles.NAME.count": "rows of /cycles/NAME up to the verdict that are numbers",
    "cycles.NAME.missing": "rows of /cycles/NAME up to the verdict that are no numbers",
    "cycles.NAME.name": "the name of the channel, without _max",
    "build_up.NAME.WHAT": "as cycles.NAME.WHAT, of all rows of /build_up",
    "channel.NAME": "NAME",
    "name.PATH": "the last part of PATH that is no number: the key of a value in one of the texts",
    "protocol.PATH": "a value of the protocol text as it is; true or false; a number as Python "
    "prints it; a date as in ISO 8601; of a list the values with `, ` between them, of an inline "
    "table each key, a blank and its value with `, ` between them. So with rig, specimen, series",
    "flags.NAME.meaning": "what the flag means, in words of the program",
    "file.run.h5.sha256": "SHA-256 of the file run.h5",
    "file.NAME.sha256": "SHA-256 of the text NAME (protocol, rig, specimen, series) in UTF-8",
    "file.run.h5.trouble": "why the journal could not be read; not in run.h5",
    "file.texts.trouble": "why the texts could not be read; not in run.h5",
}
DERIVED: Final[dict[str, str]] = {**_OWN, **CURVE_KEYS, **PHOTO_KEYS, **DERIVED_CRACKS}
"""What each key is that is no plain value of run.h5, and how it is worked out from there."""


def constant(name: str) -> Measure:
    """Return a number that the report sets itself."""
    value, unit = CONSTANTS[name]
    return Measure(value, unit, f"constant.{name}")
