"""The set-up sheet that `check` writes where it is asked for."""

from __future__ import annotations

import json

import pytest

from rig.errors import InputError
from tests.protocol.test_check import call, put
from tests.protocol.texts import BY_SERIES, WET


@pytest.mark.nights
def test_a_set_up_sheet_is_written_where_it_is_asked_for(tmp_path):
    sheet = tmp_path / "set-up.pdf"
    result = call(WET, "--sheet", str(sheet), "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout)["sheet"] == str(sheet)
    assert sheet.read_bytes().startswith(b"%PDF-")
    assert f"{sheet}: the set-up sheet" in result.stderr


def test_no_sheet_is_written_for_files_with_a_problem(tmp_path):
    sheet = tmp_path / "set-up.pdf"
    path = put(tmp_path, BY_SERIES.replace('"70 %"', '"70 kNm"'))
    assert call(path, "--sheet", str(sheet)).exit_code == 2
    assert not sheet.exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--sheet", "wet.toml"], "is no name of a PDF"),
        (["--sheet", "x.pdf", "--read-limits"], "the simulated rig has no controller"),
    ],
)
def test_a_sheet_that_cannot_be_is_refused_and_nothing_written(
    arguments, words, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match=words):
        call(WET, *arguments, catch=False)
    assert list(tmp_path.iterdir()) == []


def test_limits_are_read_for_a_sheet_only():
    result = call(WET, "--read-limits")
    assert (result.exit_code, "--read-limits goes with --sheet" in result.output) == (2, True)
