"""Broken files, third part: what a protocol and a rig file ask of people, zeros and faces."""

from __future__ import annotations

from tests.protocol.broken import ATTENDANCE, STATIC, Broken
from tests.protocol.texts import RIG

SHEET = [
    # Approach, spray, inspections.
    Broken("settles for a day", '"60 s"  #', '"1 d"  #', '"1 d"', "stage[1].settle", "0 s to 1 h"),
    Broken("settles in cycles", '"60 s"  #', '"4 cycles"  #', '"4 c', "stage[1].settle", "cycles"),
    Broken(
        "one face as text", '["bottom", "left side"]', '"bottom"', "faces", "spray.f", "no list"
    ),
    Broken(
        "a face that is no name",
        '"left side"]',
        '"\\u001b[2J"]',
        "faces",
        "spray.faces[2]",
        "no name may have",
    ),
    Broken(
        "zero as a quantity", "zero = true", 'zero = "1 mm"', "zero", "inspections.zero", "true or"
    ),
    # Pauses.
    Broken(
        "unloads at once", '"30 min"  #', '"0 s"  #', '"0 s"', "pauses.unload_after", "10 s to 7 d"
    ),
    Broken("stands for ever", '"30 min"  #', '"8 d"  #', '"8 d"', "pauses.unload_after", "range"),
    Broken("pauses misspelt", "unload_after", "unload_afer", "unload_afer", "pauses", "did you"),
    # Attendance.
    Broken("nobody", ATTENDANCE, "by = []", "by = []", "attendance.by", "0 entries"),
    Broken(
        "too many looks",
        ATTENDANCE,
        f"by = {[f'{n} min' for n in range(1, 22)]}",
        "by = [",
        "attendance.by",
        "1 to 20",
    ),
    Broken("a look as text", ATTENDANCE, 'by = "2 h"', "by = ", "attendance.by", "no list"),
    Broken("no looks", ATTENDANCE, "", "[attendance]", "attendance.by", 'add by = ["30 min"'),
    Broken("times fall", '"2 h", "20000', '"1 min", "20000', "by = ", "attendance.by[2]", "times"),
    Broken(
        "counts fall",
        '"20000 cycles"]',
        '"9 cycles", "9 cycles"]',
        "by = ",
        "attendance.by[4]",
        "coun",
    ),
    Broken(
        "a look at a load", '"2 h", "20000', '"2 kN", "20000', "by =", "attendance.by[2]", "force"
    ),
    Broken(
        "a look without unit", '"2 h", "20000', '2, "20000', "by =", "attendance.by[2]", "no unit"
    ),
    Broken(
        "half a cycle by", '"20000 cycles"]', '"1.5 cycles"]', "by =", "attendance.by[3]", "whole"
    ),
    Broken(
        "counts in a static test",
        "[full_rate]",
        f"[attendance]\n{ATTENDANCE}\n\n[full_rate]",
        "by =",
        "attendance.by",
        "no stage is cyclic",
        file=STATIC,
        protocol=STATIC,
    ),
    # Hours.
    Broken(
        "unknown zone",
        "Europe/Lisbon",
        "Europe/Lisbo",
        "zone",
        "hours.zone",
        'mean "Europe/Lisbon"',
    ),
    Broken("zone of no form", "Europe/Lisbon", "../x", "zone", "hours.zone", "no time zone"),
    Broken("a continent", "Europe/Lisbon", "Europe", "zone", "hours.zone", "no time zone"),
    Broken("no text as zone", '"Europe/Lisbon"', "1", "zone", "hours.zone", "UTC"),
    Broken("hour 24", '"20:00"', '"24:00"', "quiet", "hours.quiet[1]", '"00:00" to "23:59"'),
    Broken("minute 60", '"06:00"', '"06:60"', "quiet", "hours.quiet[2]", "no time of day"),
    Broken("half past", '"08:00"', '"8.30"', "working", "hours.working[1]", '"00:00"'),
    Broken("one digit", '"08:00"', '"8:00"', "working", "hours.working[1]", '"00:00"'),
    Broken("no quotes", '"08:00"', "08:00:00", "working", "hours.working[1]", '"00:00"'),
    Broken(
        "one time", '["20:00", "06:00"]', '["20:00"]', "quiet", "hours.quiet", "no pair of times"
    ),
    Broken(
        "a time alone", '["20:00", "06:00"]', '"20:00"', "quiet", "hours.quiet", '["20:00", "06'
    ),
    Broken(
        "quiet for nothing", '"06:00"', '"20:00"', "quiet", "hours.quiet", "ends when it begins"
    ),
    Broken(
        "works by night", '"17:00"', '"06:00"', "working", "hours.working", "does not end after"
    ),
    Broken(
        "works no minute", '"17:00"', '"08:00"', "working", "hours.working", "does not end after"
    ),
    Broken(
        "weekend of its own",
        'weekend = "quiet"',
        'weekend = "off"',
        "weekend",
        "hours.weekend",
        "give",
    ),
    Broken("pulled far", '"10 %"  #', '"11 %"  #', '"11 %"', "hours.pull_forward", "0 to 10 %"),
    Broken(
        "pulled into no hours",
        'working = ["08:00", "17:00"]\n',
        "",
        "pull_forward",
        "hours.pull_forward",
        "without working hours",
    ),
    # Rig.
    Broken(
        "another signal",
        'kind = "horn"',
        'kind = "bell"',
        'kind = "bell"',
        "warning_signal.kind",
        '"horn" or "lamp"',
        file=RIG,
    ),
    Broken(
        "signal of no kind",
        'kind = "horn"',
        "# none",
        "[warning_signal]",
        "warning_signal.kind",
        'add kind = "horn"',
        file=RIG,
    ),
    Broken(
        "signal too short",
        'before = "5 s"',
        'before = "0.5 s"',
        "before",
        "warning_signal.before",
        "1 s to 1 min",
        file=RIG,
    ),
    Broken(
        "signal of no time",
        'before = "5 s"',
        "#",
        "[warning_signal]",
        "warning_signal.before",
        'add before = "5 s"',
        file=RIG,
    ),
    Broken(
        "another input",
        'rate = "1 kHz"',
        'rate = "1 kHz"\nlocal_input = "pedal"',
        "local_input",
        "local_input",
        '"button" or "key"',
        file=RIG,
    ),
    Broken(
        "mains kept on", "mains = 1", "mains = 2", "mains", "stops.mains", "or 1 (unload", file=RIG
    ),
]
