"""`nightrig note --map` as it is typed: a picture of what the record holds, and nothing written."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from rig.errors import InputError
from tests.commands.cut_off import said_by
from tests.readme import ROOT
from tests.report.crack_readings import reading
from tests.report.test_crack_map import Picture, in_mm, recorded

pytestmark = pytest.mark.xdist_group("pictures")  # one process loads what draws them

C1 = reading(1, 30, "C1", direction="flexural", position=400, height=60, width=0.1, length=60)


@pytest.fixture
def run(tmp_path) -> Path:
    specimen = (ROOT / "protocols/specimens/prism-small.toml").read_text()
    wrong = replace(C1, number=2, kind="correction", corrects=1, height=0.08, length=0.08)
    return recorded(tmp_path / "run", (C1, wrong), specimen)


def test_the_map_is_of_what_stands_and_the_record_is_left_alone(run, tmp_path) -> None:
    before = (run / "run.h5").read_bytes()
    path = tmp_path / "map.svg"
    said = said_by("note", str(run), "--map", str(path))
    assert (said.code, said.out, said.err) == (0, f"{run}: its crack map is drawn in {path}\n", "")
    foot, tip = in_mm(Picture(path), "crack-map-new-1.2")
    assert foot == pytest.approx((400, 0), abs=0.05)
    assert tip == pytest.approx((400, 80), abs=0.05)
    assert (run / "run.h5").read_bytes() == before
    again = said_by("note", str(run), "--map", str(path))
    assert again.code == InputError.exit_code
    assert "already exists, nothing was drawn" in again.err


@pytest.mark.nights
def test_scripts_are_told_the_file(run, tmp_path) -> None:
    path = tmp_path / "map.png"
    said = said_by("note", str(run), "--map", str(path), "--json")
    assert (said.code, json.loads(said.out)) == (0, {"map": str(path)})
    assert path.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("more", [("a text",), ("--list",), ("--cracks",), ("--crack", "C1")])
def test_a_map_writes_no_note(more, tmp_path) -> None:
    said = said_by("note", str(tmp_path), *more, "--map", str(tmp_path / "map.svg"))
    assert said.code == InputError.exit_code
    assert "--map draws what is in the record; write notes without it" in said.err


def test_what_has_no_map_is_refused_in_one_line(tmp_path) -> None:
    said = said_by("note", str(tmp_path / "none"), "--map", str(tmp_path / "map.svg"))
    assert said.code == InputError.exit_code
    assert len(said.err.splitlines()) == 1
    assert not (tmp_path / "map.svg").exists()
