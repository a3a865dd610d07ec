"""The line of every key, held against what tomllib parses from the same text."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.protocol.position import Path, locate
from tests.protocol.texts import shipped, shipped_names

EVERY_FILE = [n for d in ("", "rigs", "specimens", "series") for n in shipped_names(d)]

TRICKY = '''\
plain = 1
"quoted = key" = "a # no comment"   # a comment = with [brackets]
'literal\\' = 'C:\\'
a.b.c = """
two = "lines" \\\\ \\"""
""" # after
list = [  # an open list
  "[x]",
  { inline = [1, 2], deep.er = "}" },
]
lines = \'\'\'
it's'\'\'\'
when = 2025-03-04 10:00:00
[table . "dotted.name"]
x = 1
[[row]]
y = 2
[row.below]
z = 3
[[row]]
[[row.inner]]
w = 4
[[row.inner]]
w = 5
"\\u0041b" = 6
'''


def paths(data: Any, path: Path = ()) -> list[Path]:
    """Return the path of everything inside parsed data."""
    if isinstance(data, dict):
        inner = [((*path, k), v) for k, v in data.items()]
    elif isinstance(data, list):
        inner = [((*path, i), v) for i, v in enumerate(data)]
    else:
        inner = []
    return [p for at, value in inner for p in [at, *paths(value, at)]]


@pytest.mark.parametrize("file", EVERY_FILE)
def test_every_key_of_a_shipped_file_stands_in_its_line(file):
    text = shipped(file)
    lines = text.splitlines()
    found = locate(text)
    for path in paths(tomllib.loads(text)):
        key = next(part for part in reversed(path) if isinstance(part, str))
        assert key in lines[found[path] - 1]


def test_tricky_toml_has_the_lines_counted_by_hand():
    found = locate(TRICKY)
    assert set(paths(tomllib.loads(TRICKY))) <= set(found)
    expected = {
        ("plain",): 1,
        ("quoted = key",): 2,
        ("literal\\",): 3,
        ("a", "b", "c"): 4,
        ("list",): 7,
        ("list", 0): 8,
        ("list", 1, "inline", 1): 9,
        ("list", 1, "deep", "er"): 9,
        ("lines",): 11,
        ("when",): 13,
        ("table", "dotted.name"): 14,
        ("table", "dotted.name", "x"): 15,
        ("row", 0, "y"): 17,
        ("row", 0, "below", "z"): 19,
        ("row", 1): 20,
        ("row", 1, "inner", 0, "w"): 22,
        ("row", 1, "inner", 1, "w"): 24,
        ("row", 1, "inner", 1, "Ab"): 25,
        (): 25,
    }
    assert {path: found[path] for path in expected} == expected


@given(
    keys=st.lists(st.from_regex(r"[a-z]{1,6}", fullmatch=True), min_size=1, unique=True),
    values=st.lists(
        st.sampled_from(['"x"', "'#'", "[1,\n 2]", '"""\n\n"""', "{ p = 1 }", "1e3", "true"]),
        min_size=1,
    ),
    gaps=st.lists(st.sampled_from(["", "\n", "# note\n", "\r\n"]), min_size=1),
)
def test_keys_written_anywhere_are_found_where_they_were_written(keys, values, gaps):
    text, expected = "", {}
    for index, key in enumerate(keys):
        text += gaps[index % len(gaps)]
        expected[(key,)] = text.count("\n") + 1
        text += f"{key} = {values[index % len(values)]}\n"
    found = locate(text)
    assert {path: found[path] for path in expected} == expected
    assert set(paths(tomllib.loads(text))) <= set(found)
