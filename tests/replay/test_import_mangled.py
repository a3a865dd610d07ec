"""However a table is mangled it is imported or refused in one line; no reading differs from it."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import InputError
from rig.replay.lines import lines_of
from rig.replay.table import open_table
from tests.replay.broken_tables import CYCLES, GOOD, HEADING
from tests.replay.tables import imported, write

BITES = st.sampled_from(
    [*"\"',;\t#\n\r\0 .-+e\ufeff[]=µé٣", "\n\n", "nan", "inf", "1e999", ",,", "2001-01-31T18:00"]
)
PLACES = st.integers(0, 400)
EDITS = st.lists(st.tuples(PLACES, st.integers(0, 30), BITES | st.text(max_size=3)), max_size=4)


def mangled(text: str, edits: list[tuple[int, int, str]]) -> bytes:
    for at, cut, put in edits:
        text = text[:at] + put + text[at + cut :]
    return text.encode(errors="replace")


@settings(deadline=None)
@given(st.sampled_from([GOOD, CYCLES, GOOD.replace(",", ";")]), EDITS, st.booleans())
def test_a_mangled_table_is_read_or_refused_in_one_line(text, edits, comma):
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), mangled(text, edits))
        said = [f"{path}: read"]
        try:
            table = open_table(path, decimal_comma=comma, mapped={})
            for rows in table.rows():
                assert not np.isinf(rows.values).any()
        except InputError as error:
            said = str(error).split("\n")
        for line in said:
            assert line.isprintable()
            assert line.startswith(str(path))


@pytest.mark.nights
@settings(deadline=None, max_examples=5)
@given(st.sampled_from([GOOD, CYCLES]), EDITS)
def test_a_mangled_table_becomes_a_run_or_leaves_nothing(text, edits):
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), mangled(text, edits))
        try:
            found = imported(path)
        except InputError:
            assert [p.name for p in Path(folder).iterdir()] == [path.name]
        else:
            assert found.rows > 0
            assert (Path(folder) / "run" / "run.h5").is_file()


@settings(deadline=None)
@given(
    st.lists(st.text("a# ,é", max_size=9), max_size=30),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.integers(1, 40),
)
def test_lines_and_their_numbers_do_not_depend_on_how_the_file_is_read(lines, end, size):
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), end.join(lines))
        found = [
            pair
            for piece in lines_of(path, size)
            for pair in zip(piece.numbers, piece.text, strict=True)
        ]
    says = [(n, s) for n, s in enumerate(lines, start=1) if s.strip() and s.strip()[0] != "#"]
    assert [(n, s) for n, s in found if s.strip()] == says


FIELDS = st.floats(allow_infinity=False).map(repr) | st.from_regex(
    r"[+-]?[0-9]{0,3}\.?[0-9]{0,9}([eE][+-]?[0-9]{1,2})?", fullmatch=True
)


@pytest.mark.nights
@settings(deadline=None)
@given(st.lists(st.tuples(FIELDS, FIELDS), min_size=1, max_size=8))
def test_the_quick_reader_reads_what_the_careful_one_does(pairs):
    """A quote in the last row alone sends the whole piece through the careful reader."""
    with tempfile.TemporaryDirectory() as folder:
        lines = [f"{i},{a},{b}" for i, (a, b) in enumerate(pairs)]
        end = f"{len(lines)},0,0"
        read = []
        for last in (end, f'"{len(lines)}",0,0'):
            path = write(Path(folder), "\n".join((HEADING, *lines, last)))
            table = open_table(path, decimal_comma=False, mapped={})
            try:
                read.append(np.concatenate([rows.values for rows in table.rows()]))
            except InputError as error:
                read.append(str(error))
        np.testing.assert_array_equal(*read)
