"""A sheet of broken files: each names its line, its field and what is wrong, in one line."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.protocol.load import load_rig, load_series, load_specimen
from tests.protocol.texts import (
    BY_SERIES,
    PRISM,
    RIG,
    SERIES,
    WET,
    load_edited,
    problems_of,
    shipped,
    shipped_names,
)

DRY = "dry-short.toml"
STATIC = "static-ultimate.toml"
LAST = ""
"""A place that stands for the last line of the file."""


@dataclass(frozen=True)
class Broken:
    """One edit of a shipped file and what must be said of it.

    `at` is a text whose first line is the line to be named, in the protocol where the edited file
    does not hold it; `phrase` is part of the message.
    """

    name: str
    old: str
    new: str
    at: str
    field: str
    phrase: str
    file: str = WET
    protocol: str = WET


FATIGUE = '[[stage]]\nname = "fatigue"'
APPROACH = """kind = "approach"              # stroke control until contact
contact = "2 kN"
speed = "0.5 mm/s"
give_up_after = "10 mm"
"""
HOLD = """kind = "hold"
at = "1 kN"
duration = "1 min"
"""
FAILURE = """[failure]
stiffness_loss = { warn = "20 %", stop = "40 %", confirm = "100 cycles" }
stiffness_step = { pause = "5 %", within = "20 cycles" }
residual_growth = { warn = "50 %" }
load_short = { stop = "5 %", confirm = "5 cycles" }
"""
LIMITS = """[limits]
load = ["-2 kN", "97 kN"]
deflection = ["-0.5 mm", "4 mm"]
"""
LIMITS_LOAD = 'load = ["-2 kN", "97 kN"]'
CYCLIC = """
[limits.cyclic]                # learned, armed after the baseline
load = ["50 % of lower", "105 % of upper"]
deflection = "200 % of settled maximum"
stroke = "1.5 mm beyond settled"
"""
PRE_CRACK = '''kind = "static"
control = "deflection"
to = "upper"
speed = "0.2 mm/min"
speed_after_crack = "0.5 mm/min"'''

SHEET = [
    # What cannot be read at all.
    Broken("no equals sign", 'title = "P', 'title "P', 'title "P', "", "expected '='"),
    Broken("open quote", '"4 Hz"', '"4 Hz', '"4 Hz', "", "illegal character"),
    Broken("bare quantity", '"4 Hz"', "4 Hz", "4 Hz", "", "in quotes"),
    Broken("key twice", 'lower = "7 %"', 'upper = "7 %"', 'upper = "7 %"', "", "overwrite"),
    Broken("table twice", "[baseline]", "[failure]", "[failure]\nstiffness_loss", "", "once"),
    Broken("open list at the end", "cycles = 5\n", "cycles = [5\n", "before_stop", "", "unclosed"),
    Broken("open table at the end", 'after_stop = "10 s"\n', "after_stop = {", LAST, "", "one key"),
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
    Broken("missing title", 'title = "P', 'titel = "P', LAST, "title", "is missing"),
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
    Broken("huge", '"11e6 cycles"', '"11e12 cycles"', "11e12", "stage[3].run_out", "out of range"),
    Broken(
        "text for a number", "repeats = 3", 'repeats = "3"', 'repeats = "3"', "stage[2].r", "whole"
    ),
    Broken(
        "flag for a number", "cycles = 5", "cycles = true", "cycles = true", "full_rate", "whole"
    ),
    Broken("number for text", '"P-12"', "12", "specimen_id", "specimen_id", "not plain text"),
    Broken(
        "number for a table",
        "residual_growth = { warn",
        "residual_growth = 1 # {",
        "residual_growth",
        "failure.residual_growth",
        "not a table",
    ),
    # Words.
    Broken("unknown kind", '"cyclic"', '"fatigue"', 'kind = "fatigue"', "stage[3]", "not known"),
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
    # Contradictions of the stages.
    Broken(
        "no run-out",
        'run_out = "11e6 cycles"\n',
        "",
        '[[stage]]\nname = "fatigue"',
        "stage[3].run_out",
        "missing",
    ),
    Broken("no criterion", FAILURE, "", FATIGUE, "stage[3]", "without a failure criterion"),
    Broken("no limits", LIMITS, "", FATIGUE, "stage[3]", "without limits"),
    Broken("no loading", "[loading]", "[loadin]", 'to = "upper"', "stage[2].to", "needs [loading]"),
    Broken("load control first", APPROACH, HOLD, "[[stage]]", "stage[1]", "load control"),
    Broken(
        "speed for a rate",
        PRE_CRACK,
        PRE_CRACK.replace('"deflection"', '"load"'),
        'speed = "0.2',
        "stage[2].speed",
        "force rate",
    ),
    Broken(
        "growth as long as the test",
        '"11e6 cycles"',
        '"150 cycles"',
        "build_up",
        "stage[3].build_up",
        "as long",
    ),
    Broken(
        "contact above upper",
        '"2 kN"',
        '"93 kN"',
        '"93 kN"',
        "stage[1].contact",
        "not below the upper",
    ),
    Broken(
        "baseline backwards",
        '"2000 cycles"',
        '"4000 cycles"',
        '"4000 cycles"',
        "baseline.from",
        "swap",
    ),
    Broken(
        "ends before the baseline",
        '"11e6 cycles"',
        '"2500 cycles"',
        '"2500 cycles"',
        "stage[3].run_out",
        "baseline",
    ),
    Broken(
        "inspections unsorted",
        '"100 cycles", "1000',
        '"5000 cycles", "1000',
        "at = [",
        "inspections.at[3]",
        "rise",
    ),
    Broken(
        "warns after the stop",
        'warn = "20 %"',
        'warn = "45 %"',
        "stiffness_loss",
        "failure.stiffness_loss.warn",
        "below stop",
    ),
    # Water.
    Broken(
        "longer than its period",
        'on = "2 min"',
        'on = "16 min"',
        '"16 min"',
        "spray.on",
        "longer than every",
    ),
    Broken(
        "unlike units",
        'on = "2 min"',
        'on = "10 cycles"',
        "every = ",
        "spray.every",
        "unlike units",
    ),
    Broken(
        "said twice",
        'on = "2 min"',
        'continuous = true\non = "2 min"',
        "continuous",
        "spray.continuous",
        "beside",
    ),
    Broken(
        "dry with spray",
        'exposure = "spray"',
        'exposure = "dry"',
        "[spray]",
        "spray",
        "beside exposure dry",
    ),
    Broken(
        "beyond the pump", '"1.5 L/min"', '"3 L/min"', '"3 L/min"', "spray.flow", "beyond the pump"
    ),
    Broken(
        "spray without schedule",
        'exposure = "dry"',
        'exposure = "spray"',
        'exposure = "spray"',
        "exposure",
        "without [spray]",
        file=DRY,
        protocol=DRY,
    ),
    # Limits.
    Broken(
        "inside the working range",
        '"97 kN"',
        '"90 kN"',
        '"90 kN"',
        "limits.load[2]",
        "working range",
    ),
    Broken(
        "far above upper", '"97 kN"', '"110 kN"', '"110 kN"', "limits.load[2]", "110 % of the upper"
    ),
    Broken(
        "swapped limits",
        '["-0.5 mm", "4 mm"]',
        '["4 mm", "-0.5 mm"]',
        '["4 mm"',
        "limits.deflection",
        "not below",
    ),
    Broken(
        "limit above zero", '"-2 kN"', '"2 kN", "97 kN"]  #', '["2 kN"', "limits.load[1]", "zero"
    ),
    Broken(
        "channel not there",
        LIMITS_LOAD,
        LIMITS_LOAD + '\nload_2 = ["-2 kN", "97 kN"]',
        "load_2",
        "limits.load_2",
        "no channel",
    ),
    Broken(
        "never trips",
        '"4 mm"',
        '"4 mm"]\nmidspan = ["-1 mm", "60 mm"',
        "midspan",
        "limits.midspan",
        "never trip",
    ),
    Broken(
        "learned below lower",
        '"50 % of lower"',
        '"120 % of lower"',
        '"120 %',
        "limits.cyclic.load[1]",
        "no sense",
    ),
    Broken(
        "learned far above",
        '"105 % of upper"',
        '"120 % of upper"',
        '"120 %',
        "limits.cyclic.load[2]",
        "no sense",
    ),
    Broken(
        "learned in a static test",
        "[full_rate]",
        CYCLIC + "\n[full_rate]",
        "[limits.cyclic]",
        "limits.cyclic",
        "no cyclic stage",
        file=STATIC,
        protocol=STATIC,
    ),
    Broken(
        "persists too long",
        LIMITS_LOAD,
        LIMITS_LOAD + '\npersist = "1 s"',
        "persist",
        "limits.persist",
        "1 ms to 20 ms",
    ),
    Broken(
        "ultimate in load control",
        '"deflection"\nuntil',
        '"load"\nuntil',
        'speed = "0.5 mm/min"',
        "stage[2].speed",
        "force rate",
        file=STATIC,
        protocol=STATIC,
    ),
    # Rig.
    Broken(
        "unknown channel",
        '"midspan"',
        '"mid_span"',
        '"mid_span"',
        "channel[2].name",
        "no channel name",
        file=RIG,
    ),
    Broken(
        "channel twice",
        '"support_left"',
        '"midspan"',
        'name = "midspan"\nresolution = "0.5 um"\nnoise = "1 um"\nrange = ["-5 mm", "5 mm"]',
        "channel[3].name",
        "twice",
        file=RIG,
    ),
    Broken(
        "category 2 for a limit",
        "limit = 1",
        "limit = 2",
        "limit = 2",
        "stops.limit",
        "refused",
        file=RIG,
    ),
    Broken(
        "emergency stop not at once",
        "emergency_stop = 0",
        "emergency_stop = 1",
        "emergency_stop",
        "stops.emergency_stop",
        "give 0",
        file=RIG,
    ),
    Broken(
        "coarse channel",
        '"5 N"',
        '"50 kN"',
        '"50 kN"',
        "channel[1].resolution",
        "does not suit",
        file=RIG,
    ),
    Broken(
        "swapped actuator",
        '["-60 mm", "60 mm"]',
        '["60 mm", "-60 mm"]',
        "stroke =",
        "actuator.stroke",
        "not below",
        file=RIG,
    ),
    Broken(
        "three bounds",
        '["-60 mm", "60 mm"]',
        '["-60 mm", "0 mm", "60 mm"]',
        "stroke =",
        "actuator.stroke",
        "3",
        file=RIG,
    ),
    # Specimen and series.
    Broken(
        "loads wider than the span",
        '"300 mm"',
        '"900 mm"',
        "load_spacing",
        "geometry.load_spacing",
        "below the span",
        file=PRISM,
    ),
    Broken(
        "tendon outside",
        '"130 mm"',
        '"230 mm"',
        '"230 mm"',
        "tendon[1].depth",
        "outside the section",
        file=PRISM,
    ),
    Broken(
        "stress above ultimate",
        '"strand-270" }',
        '"strand-270", ultimate = "1000 MPa" }',
        "stress = ",
        "tendon[1].stress",
        "ultimate",
        file=PRISM,
    ),
    Broken(
        "unknown preset",
        "strand-270",
        "strand-300",
        "strand-300",
        "tendon[1].law",
        "strand-250",
        file=PRISM,
    ),
    Broken(
        "strength in ksi misspelt",
        '"60 MPa"',
        '"60 Mpa"',
        '"60 Mpa"',
        "concrete.strength",
        'mean "MPa"',
        file=PRISM,
    ),
    Broken(
        "unknown group",
        'group = "submerged"\nload',
        'group = "water"\nload',
        'group = "water"',
        "ultimate[9].group",
        "no group here",
        file=SERIES,
    ),
    Broken(
        "life says too little",
        'level = "70 %"\ncycles = "162',
        'cycles = "162',
        '[[life]]\nspecimen = "P-12"',
        "life[3]",
        "says too little",
        file=SERIES,
    ),
]


def edited(case: Broken) -> str:
    text = BY_SERIES if case.file == WET else shipped(case.file)
    assert case.old in text
    return text.replace(case.old, case.new, 1)


def line_of(text: str, place: str) -> int:
    """Return the line a place begins in; an empty place is the last line."""
    if not place:
        return text.rstrip().count("\n") + 1
    return text[: text.index(place)].count("\n") + 1


@pytest.mark.parametrize("case", SHEET, ids=lambda case: case.name)
def test_a_broken_file_names_line_field_and_problem(case):
    text = edited(case)
    problems = problems_of({case.file: text}, case.protocol)
    named = (case.file, text) if case.at in text else (WET, BY_SERIES)
    file, line = named[0], line_of(named[1], case.at)
    found = [
        p
        for p in problems
        if (p.file, p.line) == (file, line)
        and p.field.startswith(case.field)
        and case.phrase in f"{p.problem}; {p.remedy}"
    ]
    assert found, "\n".join(map(str, problems))


@pytest.mark.parametrize("case", SHEET, ids=lambda case: case.name)
def test_every_problem_is_one_printable_line_with_a_remedy(case):
    for problem in problems_of({case.file: edited(case)}, case.protocol):
        assert str(problem).isprintable()
        assert problem.line > 0
        assert problem.problem
        assert problem.remedy


def test_a_missing_protocol_or_rig_is_a_problem_of_its_own():
    def read(path: str) -> str:
        raise FileNotFoundError(path)

    for load in (load_rig, load_specimen, load_series):
        with pytest.raises(InputError, match="no such file"):
            load("nowhere.toml", read)


def test_a_file_that_is_no_text_is_one_problem():
    def read(path: str) -> str:
        return b"\xff\xfe".decode("utf-8")

    with pytest.raises(InputError, match="not UTF-8 text") as caught:
        load_rig("photo.toml", read)
    assert len(caught.value.problems) == 1


def test_a_deeply_nested_file_is_one_problem():
    problems = problems_of({WET: "a = " + "[" * 5000 + "]" * 5000})
    assert [p.problem for p in problems] == ["is nested too deeply"]


PIECES = st.one_of(
    st.sampled_from(
        [
            "",
            '"',
            "[",
            "]",
            "{",
            "}",
            "=",
            ",",
            "\n",
            "#",
            "-",
            "0",
            "e9",
            "\x00",
            "\x1b",
            "é",
            "'''",
            '"""',
            "nan",
            "%",
        ]
    ),
    st.text(max_size=8),
)


@st.composite
def mutations(draw: st.DrawFn) -> tuple[str, str]:
    """Return a file's path and its text with lines and characters deleted or replaced."""
    path = draw(st.sampled_from([*shipped_names(), RIG, PRISM, SERIES]))
    text = shipped(path)
    for _ in range(draw(st.integers(1, 3))):
        if draw(st.booleans()):
            lines = text.splitlines(keepends=True) or [""]
            first = draw(st.integers(0, len(lines) - 1))
            last = draw(st.integers(first, min(first + 3, len(lines))))
            lines[first:last] = [draw(PIECES) + "\n"]
            text = "".join(lines)
        else:
            begin = draw(st.integers(0, len(text)))
            end = draw(st.integers(begin, min(begin + 6, len(text))))
            text = text[:begin] + draw(PIECES) + text[end:]
    return path, text


@settings(max_examples=300)
@given(mutation=mutations())
def test_any_mutation_of_a_shipped_file_loads_or_says_what_is_wrong(mutation):
    path, text = mutation
    protocol = path if path in shipped_names() else WET
    try:
        plan = load_edited({path: text}, protocol)
    except InputError as error:
        said = [str(p) for p in error.problems]
    else:
        said = [plan.title]
    assert said
    assert all(line.isprintable() for line in said)


@settings(max_examples=200)
@given(text=st.text(alphabet="ab.=[]{}\"'\n #,1-", max_size=60))
def test_any_text_as_a_file_is_refused_in_words(text):
    assert all(str(p).isprintable() for p in problems_of({WET: text}))
