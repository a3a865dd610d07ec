"""`[messages]` of a rig file: who hears of its runs, under which name, and what may be asked."""

from __future__ import annotations

import pytest

from rig.protocol.lab import Messages, Secret
from tests.protocol.texts import RIG, load_edited, problems_of, shipped
from tests.protocol.wire_texts import WIRED, loaded

WHOLE = """
[messages]
lab = "../labs/night.toml"
name = "frame-1"
requests = ["stop", "pause"]
user = "frame-1"
password = { file = "../secrets/frame-1" }
"""
LEAST = '[messages]\nlab = "x.toml"\nname = "frame-1"\n'
NO_SECRET = (
    "messages.password: a secret does not belong in this file; write where it is kept: "
    '{ file = "../secrets/NAME" } or { variable = "NAME" }; change the secret if anybody else has '
    "read this file"
)


def test_a_rig_file_says_who_hears_of_its_runs():
    plan = load_edited({RIG: shipped(RIG) + WHOLE})
    assert plan.rig.messages == Messages(
        lab="labs/night.toml",
        name="frame-1",
        requests=("pause", "stop"),
        user="frame-1",
        password=Secret(file="secrets/frame-1"),
    )


def test_a_rig_on_serial_lines_says_so_as_well():
    assert loaded(f"{WIRED}\n{LEAST}").messages == Messages("rigs/x.toml", "frame-1")


def test_without_the_table_nobody_hears_and_nothing_may_be_asked():
    assert load_edited({}).rig.messages is None
    said = load_edited({RIG: f"{shipped(RIG)}\n{LEAST}"}).rig.messages
    assert said == Messages("rigs/x.toml", "frame-1", requests=())


@pytest.mark.parametrize(
    ("table", "told"),
    [
        (
            '[messages]\nname = "frame-1"\n',
            'messages.lab: is missing; add lab = "../labs/example.toml"',
        ),
        ('[messages]\nlab = "x.toml"\n', 'messages.name: is missing; add name = "frame-1"'),
        (
            LEAST.replace("frame-1", "Frame 1"),
            'messages.name: "Frame 1" can be no part of a topic; give at most 32 small letters, '
            'digits and "-", as in "frame-1"',
        ),
        (
            LEAST.replace("frame-1", "a" * 33),
            f'messages.name: "{"a" * 33}" can be no part of a topic; give at most 32 small '
            'letters, digits and "-", as in "frame-1"',
        ),
        (
            f'{LEAST}requests = ["pause", "continue"]\n',
            'messages.requests[2]: "continue" cannot be asked from elsewhere; give "pause" or '
            '"stop"; all else is asked beside the rig',
        ),
        (
            f'{LEAST}requests = "stop"\n',
            'messages.requests: "stop" is no list; write it in brackets: ["stop"]',
        ),
        (f'{LEAST}user = "u"\npassword = "hunter2"\n', NO_SECRET),
        (f'{LEAST}user = "u"\npassword = ["hunter2"]\n', NO_SECRET),
        (
            f'{LEAST}user = "u"\npassword = {{ value = "hunter2" }}\n',
            'messages.password.value: is not known here; did you mean "variable"?',
        ),
        (
            f'{LEAST}user = "u"\npassword = {{ variable = "hunter 2" }}\n',
            'messages.password.variable: is no name of a variable; give letters, digits and "_", '
            'as in "NIGHTRIG_BROKER"',
        ),
        (
            f'{LEAST}user = "u"\npassword = {{}}\n',
            "messages.password: needs file or variable, one of them; write "
            '{ file = "../secrets/NAME" } or { variable = "NAME" }',
        ),
        (
            f'{LEAST}password = {{ variable = "W" }}\n',
            'messages.password: belongs to no user; add user = "..."',
        ),
        (
            f"{LEAST}password = hunter2\n",
            "a value is not in quotes; a secret does not belong in this file at all; the rest of "
            "the file is read after that",
        ),
        (
            LEAST.replace("[messages]", "[[messages]]"),
            'messages: [{ lab = "x.toml", name = "frame-1" }] is no table; write [messages] and '
            "its keys below it",
        ),
    ],
)
def test_what_is_wrong_is_told_in_one_line_and_no_secret_with_it(table, told):
    text = f"{shipped(RIG)}\n{table}"
    said = [str(problem).partition(": ")[2] for problem in problems_of({RIG: text})]
    assert said == [told]
    assert "hunter" not in "".join(said)
