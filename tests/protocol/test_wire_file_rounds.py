"""Wire tables: every problem comes in the first round, and none that only follows from another."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import InputError, Problem
from rig.protocol import channel_tables, wire_tables
from rig.protocol.examples import EXAMPLES
from rig.protocol.fields import Table
from tests.protocol.wire_texts import WIRED, loaded, problems_in

PAIR = re.compile(r'(?m)(?:^|[{,] )("[^"\n=]+"|\w+) = ("[^"\n]*"|\[[^\[\]\n]*\]|[\w.+-]+)')
UNREADABLE = "{ nothing = [] }"
PAIRS = [m for m in PAIR.finditer(WIRED) if m[1] not in ("zero", "limits") or m[2][0] != "{"]


def key_of(match: re.Match[str]) -> str:
    return match[1].strip('"')


def line(match: re.Match[str]) -> int:
    return WIRED.count("\n", 0, match.start(1)) + 1


def spoilt(*found: re.Match[str]) -> str:
    text = WIRED
    for match in sorted(found, key=lambda m: -m.start()):
        text = text[: match.start(2)] + UNREADABLE + text[match.end(2) :]
    return text


def refused(text: str) -> tuple[Problem, ...]:
    try:
        loaded(text)
    except InputError as error:
        return error.problems
    return ()


# The further rows of each table by night: every fifth is one of each kind.
each_pair = pytest.mark.parametrize(
    "pairs",
    [PAIRS[::5], pytest.param(PAIRS, marks=pytest.mark.nights)],
    ids=["some", "all"],
)


def test_the_file_has_enough_to_be_wrong():
    assert len(PAIRS) > 180


@each_pair
def test_a_value_that_cannot_be_read_is_one_problem_and_nothing_follows_from_it(pairs):
    for match in pairs:
        problems = problems_in(spoilt(match))
        told = [p.line for p in problems]
        assert told == [line(match)], f"{match[0]}\n" + "\n".join(map(str, problems))


def without(match: re.Match[str], instead: str = "") -> str:
    """Return the file without a key, or with another text in its place."""
    before, after = WIRED[: match.start(1)], WIRED[match.end(2) :]
    if before.endswith("\n"):
        return before + instead + " #" + after
    if instead:
        return before + instead + after
    if after.startswith(", "):
        return before + after[2:]
    return before.removesuffix(", ") + after


@each_pair
def test_a_missing_key_is_one_problem_whose_line_to_paste_mends_it(pairs):
    mended = 0
    for match in pairs:
        problems = refused(without(match))
        assert len(problems) <= 1, f"{match[0]}\n" + "\n".join(map(str, problems))
        if not problems or problems[0].problem != "is missing":
            continue
        pasted = re.search(rf"add ({re.escape(match[1])} = [^;]+?)(, |$)", problems[0].remedy)
        if pasted and " or " not in pasted[1]:
            told = refused(without(match, pasted[1]))
            assert (problems[0].field, "is missing") not in [(p.field, p.problem) for p in told]
            mended += 1
    assert mended > len(pairs) / 5


@each_pair
def test_a_misspelt_key_is_read_as_the_one_it_was_meant_to_be(pairs):
    for match in pairs:
        key = key_of(match)
        if len(key) < 3 or key.isupper():  # words of the controller are its own
            continue
        end = match.end(1) - (match[1][-1] == '"')
        (problem,) = problems_in(WIRED[:end] + "x" + WIRED[end:])
        assert problem.line == line(match)
        assert f'did you mean "{key}"?' in problem.remedy


# What these cannot be read of leaves open what the rest means: a port, a channel, a point.
OPEN = ("name", "port", "what", "channel", "driver", "slow")


@given(data=st.data())
def test_values_that_cannot_be_read_in_several_places_are_all_told(data):
    kept = [m for m in PAIRS if key_of(m) not in OPEN]
    found = {m.start(): m for m in data.draw(st.lists(st.sampled_from(kept), max_size=5))}
    wanted = {line(m) for m in found.values()}
    problems = refused(spoilt(*found.values()))
    assert {p.line for p in problems} == wanted, "\n".join(map(str, problems))
    assert len(problems) == len(found)


def test_slips_of_the_pen_and_of_thought_come_together():
    changes = {
        "baud = 921600": "baud = 0",
        '[controller]\nport = "servo"': '[controller]\nport = "servos"',
        "{to},{rate}": "{to},{ratte}",
        'HIGH = "high"': 'HIGH = "hihg"',
        '"moving", ': "",
        'number = 2, unit = "mm"': 'number = 1, unit = "kN"',
        "at = 2, kind": "at = 1, kind",
        "address = 247": "adress = 248",
        'place = 2, unit = "degC"': 'place = 2, unit = "mm"',
        'stale_after = "500 ms"': 'stale_afer = "250"',
    }
    text = WIRED
    for old, new in changes.items():
        assert old in text
        text = text.replace(old, new)
    assert {p.field for p in problems_in(text)} == {
        "port[2].baud",
        "controller.port",
        "controller.actions.load",
        "controller.words.HIGH",
        "controller.status",
        "channel[2].from.number",
        "channel[2].from.unit",
        "modbus[1].points[5].at",
        "modbus[2].adress",
        "modbus[2].address",
        "instrument[1].answers[1].unit",
        "stale_afer",
        "stale_after",
    }


@pytest.mark.parametrize("table", ["port", "controller"])
def test_a_serial_rig_without_ports_or_controller_lacks_just_that(table):
    parts = re.split(r"(?m)^(?=\[)", WIRED)
    left = [p for p in parts if not p.startswith((f"[[{table}]]", f"[{table}"))]
    (problem,) = problems_in("".join(left))
    assert (problem.field, problem.problem) == (table, "is missing")
    assert f"[{table}]" in problem.remedy


def test_every_key_that_must_be_there_has_a_line_to_paste():
    for module in (wire_tables, channel_tables):
        for name, table in vars(module).items():
            if not (isinstance(table, type) and issubclass(table, Table)):
                continue
            for key, info in table.model_fields.items():
                if info.is_required():
                    known = [k for k in EXAMPLES if k.rpartition(".")[2] == (info.alias or key)]
                    assert known, f"{name}.{key}"


# Whatever a person or a disk makes of the file.

PIECES = st.one_of(
    st.sampled_from(
        [
            *("", '"', "[", "]", "{", "}", "=", ",", "\n", "#", "-", "0", "e9", "\x00", "\x1b"),
            *("é", "'''", '"""', "nan", "inf", "{to}", "[[port]]\n", "true", '"servo"', "\r"),
        ]
    ),
    st.text(max_size=8),
)


@st.composite
def mutations(draw: st.DrawFn) -> str:
    """Return the file with lines and characters deleted, doubled or replaced."""
    text = WIRED
    for _ in range(draw(st.integers(1, 3))):
        lines = text.splitlines(keepends=True) or [""]
        first = draw(st.integers(0, len(lines) - 1))
        last = draw(st.integers(first, min(first + 6, len(lines))))
        match draw(st.sampled_from(["lines", "characters", "again", "elsewhere"])):
            case "lines":
                lines[first:last] = [draw(PIECES) + "\n"]
            case "again":
                lines[last:last] = lines[first:last]
            case "elsewhere":
                taken, lines[first:last] = lines[first:last], []
                to = draw(st.integers(0, len(lines)))
                lines[to:to] = taken
            case _:
                begin = draw(st.integers(0, len(text)))
                end = draw(st.integers(begin, min(begin + 6, len(text))))
                lines = [text[:begin], draw(PIECES), text[end:]]
        text = "".join(lines)
    return text


@given(text=mutations())
def test_any_mutation_of_the_file_loads_or_says_what_is_wrong(text):
    problems = refused(text)
    assert all(str(p).isprintable() and p.line > 0 for p in problems)
    wire = None if problems else loaded(text).wire
    if wire is not None:
        assert wire.ports
        assert wire.controller is not None
        sent = [line for lines in wire.controller.actions.values() for line in lines]
        sent += [instrument.ask for instrument in wire.instruments]
        assert all(line.isascii() and line.isprintable() for line in sent)
        assert all(s.scaling.factor == s.scaling.factor != 0 for s in wire.sources)


LINES = st.text(alphabet=st.sampled_from("A{}to,;:?\r\n\x07 é"), max_size=12)


@given(command=LINES)
def test_no_command_gets_past_the_reader_with_a_second_line_or_an_unknown_place(command):
    written = '"' + "".join(f"\\u{ord(c):04x}" for c in command) + '"'
    problems = refused(WIRED.replace('"SOURce:HOLD"', written))
    places = re.findall(r"\{[^{}]*\}", command)
    rest = re.sub(r"\{[^{}]*\}", "", command)
    sound = command.strip() and command.isascii() and command.isprintable()
    wanted = bool(sound and not places and "{" not in rest and "}" not in rest)
    assert (not problems) == wanted
    assert {p.field for p in problems} <= {"controller.actions.hold"}
