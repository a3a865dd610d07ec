"""Broken files, first half: syntax, keys, quantities, words, named files, load."""

from __future__ import annotations

from tests.protocol.broken import (
    LAST,
    Broken,
)
from tests.protocol.texts import RIG, SERIES

SHEET = [
    # What cannot be read at all.
    Broken("no equals sign", 'title = "P', 'title "P', 'title "P', "", 'no "="'),
    Broken("open quote", '"4 Hz"', '"4 Hz', '"4 Hz', "", "opened and not closed"),
    Broken("bare quantity", '"4 Hz"', "4 Hz", "4 Hz", "", 'write "4 Hz"'),
    Broken("key twice", 'lower = "7 %"', 'upper = "7 %"', 'upper = "7 %"', "", "twice"),
    Broken("table twice", "[baseline]", "[failure]", "[failure]\nstiffness_loss", "", "twice"),
    Broken(
        "open list at the end", "cycles = 5\n", "cycles = [5\n", "cycles = [5", "", '"[" is opened'
    ),
    Broken(
        "open table at the end",
        'after_stop = "10 s"\n',
        "after_stop = {",
        LAST,
        "",
        '"{" is opened',
    ),
    # Keys.
    Broken("unknown key", "frequency =", "frequncy =", "frequncy", "loading.frequncy", "frequency"),
    Broken("unknown table", "[baseline]", "[base_line]", "[base_line]", "base_line", "baseline"),
    Broken(
        "unknown stage key", "repeats = 3", "repeat = 3", "repeat =", "stage[2].repeat", "repeats"
    ),
    Broken(
        "unknown inline key", "within =", "whithin =", "whithin", "failure.stiffness_step", "within"
    ),
    Broken("missing key", 'frequency = "4 Hz"\n', "", "[loading]", "loading.frequency", "missing"),
    Broken("missing title", 'title = "P', '# "P', LAST, "title", "is missing"),
    Broken("title misspelt", 'title = "P', 'titel = "P', "titel", "titel", 'did you mean "title"'),
    Broken(
        "no stages", 'name = "fatigue"', "nom = 1", "[[stage]]\nnom", "stage[3].name", "missing"
    ),
    # Quantities.
    Broken("moment for force", '"70 %"', '"70 kNm"', "upper", "loading.upper", "is a moment"),
    Broken("missing unit", '"4 Hz"', '"4"', "frequency", "loading.frequency", "has no unit"),
    Broken("bare number", '"4 Hz"', "4", "frequency", "loading.frequency", "4 has no unit"),
    Broken("decimal comma", '"1.5 L/min"', '"1,5 L/min"', "flow", "spray.flow", "comma"),
    Broken("nan", '"1.5 L/min"', '"nan L/min"', "flow", "spray.flow", "not a finite"),
    Broken("inf", '"97 kN"', '"inf kN"', '"inf kN"', "limits.load[2]", "not a finite"),
    Broken(
        "bare nan", "per_decade = 30", "per_decade = nan", "nan", "full_rate.per_decade", "whole"
    ),
    Broken("wrong case", '"4 Hz"', '"4 HZ"', "frequency", "loading.frequency", 'mean "Hz"'),
    Broken(
        "milli for mega", '"0.5 mm/s"', '"500 mm/s"', "500 mm", "stage[1].speed", "out of range"
    ),
    Broken("negative", 'on = "2 min"', 'on = "-2 min"', "-2 min", "spray.on", "out of range"),
    Broken("half a cycle", '"200 cycles"', '"200.5 cycles"', "200.5", "stage[3].build_up", "whole"),
    Broken(
        "two readings",
        '"200 cycles"',
        '"20.000 cycles"',
        "20.000",
        "stage[3].build_up",
        '"20.000 cycles" can be read as 20 or as 20000; write "20 cycles" or "20000 cycles"',
    ),
    Broken("huge", '"11e6 cycles"', '"11e12 cycles"', "11e12", "stage[3].run_out", "out of range"),
    Broken(
        "text for a number", "repeats = 3", 'repeats = "3"', 'repeats = "3"', "stage[2].r", "whole"
    ),
    Broken(
        "flag for a number", "cycles = 5", "cycles = true", "cycles = true", "full_rate", "whole"
    ),
    Broken(
        "escape in the title", 'title = "P', 'title = "\\u001b[2JP', "title", "title", "no line"
    ),
    Broken("number for text", '"P-12"', "12", "specimen_id", "specimen_id", "not text"),
    Broken(
        "number for a table",
        "residual_growth = { warn",
        "residual_growth = 1 # {",
        "residual_growth",
        "failure.residual_growth",
        "no table",
    ),
    # Words.
    Broken("unknown kind", '"cyclic"', '"fatigue"', 'kind = "fatigue"', "stage[3]", "is no kind"),
    Broken("unknown exposure", '"spray"', '"sprayed"', '"sprayed"', "exposure", '"submerged"'),
    Broken(
        "unknown bound",
        '"50 % of lower"',
        '"50 %"',
        'load = ["50 %"',
        "limits.cyclic.load[1]",
        "write",
    ),
    Broken(
        "two stages of a name",
        '"pre-crack"',
        '"approach"',
        '"approach"\nkind = "st',
        "stage[2].name",
        "twice",
    ),
    # Files that are named.
    Broken(
        "missing specimen", "prism-small", "prism-smal", "prism-smal", "specimen", "no such file"
    ),
    Broken(
        "missing series",
        "wet-cracks",
        "wet-crack",
        "wet-crack.",
        "loading.capacity_from",
        "no such",
    ),
    Broken(
        "no exposure",
        "toml: spray",
        "toml",
        "capacity_from",
        "loading.capacity_from",
        "does not name",
    ),
    Broken(
        "no companions",
        '[groups.spray]\nexposure = "spray"',
        '[groups.spray]\nexposure = "dry"',
        "capacity_from",
        "loading.capacity_from",
        "no [[ultimate]]",
        file=SERIES,
    ),
    # Contradictions of the load.
    Broken(
        "lower above upper", '"7 %"', '"75 %"', '"75 %"', "loading.lower", "not below the upper"
    ),
    Broken("above capacity", '"70 %"', '"101 %"', '"101 %"', "loading.upper", "above the capacity"),
    Broken(
        "two capacities",
        'upper = "70',
        'capacity = "1 kN"\nupper = "70',
        "[loading]",
        "loading",
        "one of them",
    ),
    Broken(
        "beyond the actuator", '"70 %"', '"300 kN"', '"300 kN"', "loading.upper", "at most 250 kN"
    ),
    Broken("too fast", '"4 Hz"', '"16 Hz"', '"16 Hz"', "loading.frequency", "at most"),
    Broken(
        "at the rig's own limit",
        'load = ["-20 kN", "250 kN"]\n\n[stops]',
        'load = ["-20 kN", "92 kN"]\n\n[stops]',
        'upper = "70 %"',
        "loading.upper",
        "load limit of rig",
        file=RIG,
    ),
]
