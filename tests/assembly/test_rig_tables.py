"""A table is written into a rig file anew, and nothing else of the file changes."""

from __future__ import annotations

import os
import stat
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.assembly.rig_tables import keep_table
from rig.errors import InputError, StorageError

TABLE = 'date = "2026-11-29"\nby = "A. Name"\nrows = [{ cause = "guard", time = "12 ms" }]'
NEW = tomllib.loads(TABLE)

WHOLE = """\
# A frame.
name = "frame"      # two files must not differ here

[proof]
# Do not take my comment away.
date = "2020-01-01"
rows = [
  ["a", "b"],
[
"[stops]"],
]

[proof.more]
note = '''
[nothing]
'''

# The stops.
[stops]
guard = 0

[[channel]]
name = "load"       # [proof]
"""


def kept(tmp_path: Path, text: str, table: str = TABLE) -> str:
    """Return a file's text after a table was kept in it, line ends as they are."""
    path = tmp_path / "rig.toml"
    path.write_bytes(text.encode())
    keep_table(path, "proof", table)
    assert os.listdir(tmp_path) == ["rig.toml"]
    return path.read_bytes().decode()


def test_the_old_table_goes_with_all_below_it_and_every_comment_stays(tmp_path):
    text = kept(tmp_path, WHOLE)
    assert text == (
        '# A frame.\nname = "frame"      # two files must not differ here\n\n'
        f"[proof]\n# Do not take my comment away.\n{TABLE}\n\n"
        '# The stops.\n[stops]\nguard = 0\n\n[[channel]]\nname = "load"       # [proof]\n'
    )
    assert kept(tmp_path, text) == text


def test_a_file_without_the_table_has_it_at_its_end(tmp_path):
    assert kept(tmp_path, 'name = "frame"') == f'name = "frame"\n\n[proof]\n{TABLE}\n'
    assert kept(tmp_path, "") == f"[proof]\n{TABLE}\n"


def test_line_ends_and_the_mark_at_the_beginning_stay(tmp_path):
    text = kept(tmp_path, '\ufeffname = "frame"\r\n[proof]\r\na = 1\r\n[stops]\r\n')
    lines = TABLE.replace("\n", "\r\n")
    assert text == f'\ufeffname = "frame"\r\n[proof]\r\n{lines}\r\n[stops]\r\n'


NAMES = st.sampled_from(["proof", '"proof"', "stops", "pump", "x"])
VALUES = st.sampled_from(
    ["1", '"[proof]"', "[\n[1],\n[2]]", "'''\n[proof]\n'''", '"""\n[stops] = "\n"""', "{ a = [1] }"]
)
KEYS = st.lists(st.tuples(st.sampled_from("abc"), VALUES), max_size=3, unique_by=lambda x: x[0])
TABLES = st.lists(
    st.tuples(NAMES, KEYS, st.sampled_from(["", "# [proof]", "\n"])),
    max_size=5,
    unique_by=lambda x: x[0].strip('"'),
)


@given(TABLES, st.sampled_from(["\n", "\n\n"]))
def test_whatever_else_a_file_says_it_says_afterwards(tmp_path_factory, tables, between):
    parts = []
    for name, keys, comment in tables:
        lines = [comment, f"[{name}]  # heading", *(f"{key} = {value}" for key, value in keys)]
        parts.append("\n".join(lines))
    text = between.join(parts)
    before = tomllib.loads(text)
    assert tomllib.loads(kept(tmp_path_factory.mktemp("rig"), text)) == {**before, "proof": NEW}


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("[stops\n", "is no TOML"),
        ("proof.date = 1\n", "by hand"),
        ("proof = { date = 1 }\n", "by hand"),
        ("[proof.a]\n[stops]\n[proof.b]\n", "in two places"),
        ("[[proof]]\n[[proof]]\n[stops]\n[[proof]]\n", "in two places"),
    ],
)
def test_a_file_that_cannot_take_it_stays_as_it_was(tmp_path, text, why):
    with pytest.raises(InputError, match=why):
        kept(tmp_path, text)
    assert (tmp_path / "rig.toml").read_text() == text
    assert os.listdir(tmp_path) == ["rig.toml"]


def test_what_is_no_toml_is_not_kept(tmp_path):
    with pytest.raises(InputError, match="no TOML"):
        kept(tmp_path, "a = 1\n", "date = yesterday")
    with pytest.raises(InputError, match="by hand"):
        kept(tmp_path, "[stops]\n", "a = 1\n[stops.more]\nb = 2")


def test_rights_and_links_stay(tmp_path):
    path, link = tmp_path / "rig.toml", tmp_path / "link.toml"
    path.write_text("a = 1\n")
    path.chmod(0o640)
    link.symlink_to(path)
    keep_table(link, "proof", TABLE)
    assert link.is_symlink()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert tomllib.loads(path.read_text())["proof"] == NEW


def test_a_file_that_is_not_there_or_no_text_is_told(tmp_path):
    with pytest.raises(StorageError, match="No such file"):
        keep_table(tmp_path / "none.toml", "proof", TABLE)
    (tmp_path / "rig.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="UTF-8"):
        keep_table(tmp_path / "rig.toml", "proof", TABLE)
