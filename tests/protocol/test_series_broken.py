"""Broken series files: each problem once, with its line, its field and what would be right."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.protocol.series import MODES, QUANTITIES
from tests.protocol.series_texts import EVERYTHING, changed, line_of, problems_in

PAIR = re.compile(r'(?m)^(\w+) = ("[^"\n]*"|\[[^\]\n]*\]|[\w.]+)')
UNREADABLE = "{ nothing = [] }"
PAIRS = [m for m in PAIR.finditer(EVERYTHING) if m[1] != "aggregate"]
FAILED = 'cycles = "16250.5 cycles"\noutcome = "failure"'
RESIDUAL = 'specimen = "P-01"\ngroup = "dry"\nrun'
ULTIMATE = '[[ultimate]]\nspecimen = "P-11"'
WIRES = '[[hypothesis]]\nname = "Wet wires rust"'
AGAIN = """
[[life]]
specimen = "P-02"
group = "spray"
level = "80 %"
cycles = "100 cycles"
outcome = "failure"
"""

SHEET = [
    # Name, what is exchanged, for what, a text whose line is named (without one, the new text's),
    # field, part of the message.
    ("group misspelt", 'group = "spray"', 'group = "sprey"', "", "life[2].group", 'mean "spray"'),
    ("no such group", 'group = "spray"', 'group = "x"', "", "life[2].group", "known here are dry,"),
    ("mode misspelt", "bond or anchorage slip", "bond slip", "", "life[2].mode", "known here"),
    ("mode nearly right", "crushing", "crushed", "", "ultimate[1].mode", '"concrete crushing"?'),
    ("fraction", '"72.5 %"', '"0.725"', "", "life[2].level", "has no unit"),
    ("level too high", '"72.5 %"', '"725 %"', "", "life[2].level", "1 to 150 %"),
    ("no cycles", '"16250.5 cycles"', '"0 cycles"', "", "life[2].cycles", "out of range"),
    ("two readings", '"16250.5 cycles"', '"16.250 cycles"', "", "life[2].cycles", "or as"),
    ("age in years", '"90 d"', '"1 a"', "", "life[2].age", "known are ms, s, min, h, d"),
    ("age below zero", '"90 d"', '"-90 d"', "", "life[2].age", "give 0 s to 36525 d"),
    ("cast as a date", '"2025-03-05"', "2025-03-05", "", "life[2].cast", "in quotes"),
    (
        "says too little",
        'level = "72.5 %"',
        "",
        '[[life]]\nspecimen = "P-02"',
        "life[2]",
        "says too little",
    ),
    (
        "ran out, and how it failed",
        FAILED,
        FAILED.replace("failure", "run-out"),
        "bond or",
        "life[2].mode",
        "it ran out",
    ),
    (
        "no range",
        '"6 %"',
        '"69 %"',
        "concrete_min",
        "life[2].concrete_min",
        'not below concrete_max, "69 %"',
    ),
    ("lower alone", 'concrete_max = "69 %"', "", '"6 %"', "life[2].concrete_min", "concrete_max"),
    ("stood longer", '"2 h"', '"31 h"', "", "life[2].unloaded", 'all interruptions, "30 h"'),
    ("void for nothing", 'void_reason = "a', '# "a', "valid = f", "life[3].valid", "a reason"),
    ("a reason, valid", "valid = false", "", "void_reason", "life[3].void_reason", "valid = false"),
    ("in quotes", "valid = false", 'valid = "no"', "", "life[3].valid", "true or false"),
    ("load twice", 'load = "30 kip"', 'load = "1 kip"\nrun = "r"', ULTIMATE, "ultimate[1]", "one"),
    ("neither", 'load = "30 kip"', "", ULTIMATE, "ultimate[1]", "needs load or run"),
    (
        "cycled before",
        "residual = true",
        "",
        f"[[ultimate]]\n{RESIDUAL}",
        "ultimate[2]",
        "residual = true",
    ),
    (
        "broken after it failed",
        RESIDUAL,
        RESIDUAL.replace("P-01", "P-02"),
        "",
        "ultimate[2].specimen",
        "has failed under cycles",
    ),
    (
        "two loads",
        RESIDUAL,
        RESIDUAL.replace("P-01", "P-11"),
        "",
        "ultimate[2].spec",
        "an ultimate load already, in line",
    ),
    (
        "exposure",
        'exposure = "spray"',
        'exposure = "sprayed"',
        "",
        "groups.spray.exp",
        "no exposure",
    ),
    ("factor misspelt", 'batch = "A"', 'bacth = "A"', "", "groups.dry.bacth", 'mean "batch"'),
    ("factors in a list", '"quartz"', '["quartz"]', "", "groups.dry.aggregate", "one value"),
    ("no flag", "independent = true", 'independent = "yes"', "", "groups.spray.ind", "true or fal"),
    (
        "name of a group",
        "[groups.spray]",
        '[groups."a/b"]\n[groups.spray]',
        "",
        "groups.a/b",
        "no n",
    ),
    ("quantity", 'quantity = "life"', 'quantity = "live"', "", "hypothesis[1].qua", 'mean "life"'),
    ("group asked", 'lower = ["spray"]', 'lower = ["spry"]', "", "hypothesis[1].low", '"spray"?'),
    ("both", 'higher = ["dry"]', 'higher = ["dry", "spray"]', "", "hypothesis[1].higher", "both"),
    ("nobody", 'higher = ["dry"]', "higher = []", "", "hypothesis[1].higher", "name at least one"),
    ("a number", 'higher = ["dry"]', "higher = [1]", "", "hypothesis[1].higher", "1 is not text"),
    ("an empty one", 'higher = ["dry"]', 'higher = ""', "", "hypothesis[1].higher", "no name"),
    (
        "asked twice",
        '"Wet wires rust"',
        '"Water shortens the life"',
        'life"\nquantity = "o',
        "hypothesis[2].name",
        "there twice",
    ),
    ("sees nothing", 'seen = "rust"', "", WIRES, "hypothesis[2]", 'add seen = "rust"'),
    ("seen misspelt", 'seen = "rust"', 'seen = "rusts"', "", "hypothesis[2].seen", 'mean "rust"'),
    ("seen twice", 'seen = "rust"', 'seen = ["rust", "dust"]', "", "hypothesis[2].seen", "names 2"),
    (
        "a life is not seen",
        'higher = ["dry"]',
        'higher = ["dry"]\nseen = "rust"',
        'seen = "rust"',
        "hypothesis[1].seen",
        'quantity = "observation"',
    ),
    (
        "nobody's rust",
        'specimen = "P-02"\nlooked',
        'specimen = "P-20"\nlooked',
        "",
        "observation[2].specimen",
        "name the specimen of a [[life]]",
    ),
    ("not looked for", '["wire slip"]\n', '["slip"]\n', "", "observation[1].seen", "not among"),
    (
        "looked nearly",
        '"rust", "wire',
        '"rust", "wires',
        "",
        "observation[1].looked",
        '"wire slip"',
    ),
    ("seen is a word", "seen = true", 'seen = "yes"', "", "observation[2].seen", "true nor false"),
    (
        "told twice",
        'specimen = "P-02"\nlooked',
        'specimen = "P-01"\nlooked',
        'looked_for = "rust"\n',
        "observation[2].looked_for",
        'told of "P-01" before',
    ),
]


@pytest.mark.parametrize(
    ("old", "new", "at", "field", "said"), [r[1:] for r in SHEET], ids=[r[0] for r in SHEET]
)
def test_a_broken_series_is_one_problem_with_its_line_and_field(old, new, at, field, said):
    text = changed(old, new)
    found = problems_in(text)
    assert len(found) == 1, "\n".join(map(str, found))
    (problem,) = found
    assert problem.line == line_of(at or new, text)
    assert problem.field.startswith(field)
    assert said in f"{problem.problem}; {problem.remedy}"
    assert str(problem).isprintable()


def test_a_specimen_has_one_life():
    (problem,) = problems_in(EVERYTHING + AGAIN)
    assert problem.field == "life[4].specimen"
    first = line_of('[[life]]\nspecimen = "P-02"')
    assert problem.problem == f'"P-02" has a life already, in line {first}'


def test_all_problems_come_in_one_round():
    text = changed('"70 %"', '"70"').replace('lower = ["spray"]', 'lower = ["wet"]')
    text = text.replace("valid = false", "").replace('"30 kip"', '"30 t"')
    assert [p.field for p in problems_in(text)] == [
        "life[1].level",
        "ultimate[1].load",
        "hypothesis[1].lower",
    ]


@pytest.mark.parametrize(
    ("kind", "entries"),
    [
        ("life", "lives"),
        ("ultimate", "ultimate loads"),
        ("hypothesis", "hypotheses"),
        ("observation", "observations"),
    ],
)
def test_a_list_with_single_brackets_is_told_in_words(kind, entries):
    text = changed(f"[[{kind}]]", f"[{kind}]")
    assert any(
        f"write [[{kind}]] with two brackets: {entries} are a list" in p.remedy
        for p in problems_in(text)
    )


def test_a_value_that_cannot_be_read_is_one_problem_and_nothing_follows_from_it():
    for match in PAIRS:
        text = EVERYTHING[: match.start(2)] + UNREADABLE + EVERYTHING[match.end(2) :]
        line = EVERYTHING.count("\n", 0, match.start()) + 1
        problems = problems_in(text)
        assert [p.line for p in problems] == [line], "\n".join(map(str, problems))


def test_a_misspelt_key_is_read_as_the_one_it_was_meant_to_be():
    for match in PAIRS:
        if match[1] in ("run", "bed", "age", "wet"):
            continue
        text = EVERYTHING[: match.end(1)] + "x" + EVERYTHING[match.end(1) :]
        (problem,) = problems_in(text)
        assert problem.line == EVERYTHING.count("\n", 0, match.start()) + 1
        assert f'did you mean "{match[1]}"?' in problem.remedy


def test_a_missing_key_whose_line_can_be_pasted_is_mended_by_it():
    for match in PAIRS:
        text = EVERYTHING[: match.start()] + "#" + EVERYTHING[match.start() :]
        for problem in problems_in(text):
            pasted = re.search(rf"add ({match[1]} = [^;]+)", problem.remedy)
            if problem.problem != "is missing" or not pasted or " or " in pasted[1]:
                continue
            mended = text[: match.start()] + pasted[1] + " #" + text[match.start() :]
            fields = [p.field for p in problems_in(mended) if "is missing" in p.problem]
            assert problem.field not in fields, problem


@pytest.mark.parametrize("mode", MODES)
def test_every_mode_is_known(mode):
    assert problems_in(changed("bond or anchorage slip", mode)) == ()


@pytest.mark.parametrize("quantity", [q for q in QUANTITIES if q != "observation"])
def test_every_quantity_is_known(quantity):
    assert problems_in(changed('quantity = "life"', f'quantity = "{quantity}"')) == ()


@settings(max_examples=60)
@given(data=st.data())
def test_lines_taken_out_or_doubled_are_read_or_refused_in_words(data):
    lines = EVERYTHING.splitlines(keepends=True)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        lines[at : at + 1] = data.draw(st.sampled_from([[], [lines[at]] * 2, ["\x1b[31m\n"]]))
    assert all(str(p).isprintable() and p.remedy for p in problems_in("".join(lines)))
