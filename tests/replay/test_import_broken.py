"""Each broken file gives one clear line with its place, and leaves nothing behind."""

from __future__ import annotations

import pytest

from rig.errors import InputError
from rig.replay.importing import Wanted, import_file
from tests.replay.broken_tables import GOOD, SHEET

NIGHTS = pytest.mark.nights
TIERS = [
    pytest.param(case, id=case.name, marks=NIGHTS if place % 3 else ())
    for place, case in enumerate(SHEET)
]
"""One of three at once, the others at night: each kind of trouble is among the first."""


def refused(case, folder):
    path = folder / f"table{case.suffix}"
    path.write_bytes(case.content)
    wanted = Wanted(path, folder / "run", columns=case.columns, decimal_comma=case.decimal_comma)
    with pytest.raises(InputError) as raised:
        import_file(wanted)
    return path, str(raised.value)


@pytest.mark.parametrize("case", TIERS)
def test_a_broken_table_gives_one_line_with_its_place(case, tmp_path):
    path, line = refused(case, tmp_path)
    assert line.isprintable()
    assert case.says in line
    if case.line:
        assert line.startswith(f"{path}:{case.line}: ")
    if case.column:
        assert case.column.replace('"', "") in line.split(": ")[1]
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_the_table_that_is_broken_in_the_sheet_is_whole_without_that(tmp_path):
    path = tmp_path / "table.csv"
    path.write_text(GOOD)
    assert import_file(Wanted(path, tmp_path / "run")).rows == 50
