"""`nightrig report` as it is typed: what it writes and says, and what it leaves alone."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from tests.commands.cut_off import Said, copy, said_by, spoil
from tests.report import handover_nights as nights
from tests.report.page.documents import Pieces
from tests.report.page.test_page import HOSTILE


@pytest.fixture(scope="module")
def run(fault: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return copy(fault, tmp_path_factory.mktemp("reported"))


@pytest.fixture(scope="module")
def written(run: Path) -> Said:
    """Return what is said where the report of a run is made for the first time."""
    return said_by("report", str(run), "--json")


def held(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_page_and_paper_stand_beside_the_record_with_their_hashes(run, written):
    assert written.code == 0, written.err
    told = json.loads(written.out)
    assert (told["run"], told["outcome"]) == (str(run), "fault")
    assert [Path(each["file"]).name for each in told["files"]] == ["report.html", "report.pdf"]
    for each in told["files"]:
        content = Path(each["file"]).read_bytes()
        assert (len(content), hashlib.sha256(content).hexdigest()) == (
            each["bytes"],
            each["sha256"],
        )


def test_in_a_new_folder_it_is_the_same_and_the_outcome_and_the_files_are_said(
    run, written, tmp_path
):
    before, out = held(run), tmp_path / "new\x1b[2J"
    said = said_by("report", str(run / "run.h5"), "--out", str(out))
    assert said.code == 0, said.err
    assert held(run) == before
    assert held(out) == {name: before[name] for name in ("report.html", "report.pdf")}
    assert all(sign == "\n" or sign.isprintable() for sign in said.out + said.err)
    first, *rest = said.out.splitlines()
    assert "emergency stop" in first
    assert any(re.search(r"  written .*report\.html, \d+ kB", line) for line in rest)
    assert any(re.search(r" .*report\.pdf, \d+ kB", line) for line in rest)


def refused(*words: str, code: int = 2) -> str:
    """Return the one line with which a command refuses."""
    said = said_by("report", *words)
    assert (said.code, said.out) == (code, ""), said.err
    lines = said.err.splitlines()
    assert len(lines) == 1, lines
    return lines[0]


def test_what_is_neither_run_nor_series_is_told_so(run, tmp_path):
    assert "there is no such folder" in refused(str(tmp_path / "none"))
    assert "nor is there a series" in refused("wet-crakcs")
    assert "is no run" in refused(str(tmp_path))
    (tmp_path / "notes.txt").write_text("mine")
    assert "is no record of a run" in refused(str(tmp_path / "notes.txt"))
    assert "is for a series" in refused(str(run), "--confidence", "90 %")


def test_a_page_of_somebody_else_is_left_and_nothing_is_worked_out(run, tmp_path):
    (tmp_path / "report.html").write_text("mine")
    line = refused(str(run), "--out", str(tmp_path))
    assert "report.html: is no report of this program" in line
    assert held(tmp_path) == {"report.html": b"mine"}


@pytest.mark.parametrize("name", ["journal.db", "run.h5"])
def test_the_folder_of_another_run_is_left_to_its_own_report(run, tmp_path, name):
    (tmp_path / name).write_text("of another")
    for what in (str(run), "wet-cracks"):
        line = refused(what, "--out", str(tmp_path))
        assert line == (
            f"--out {tmp_path}: holds another run, nothing was written; name another folder"
        )
    assert held(tmp_path) == {name: b"of another"}


def test_a_record_that_is_broken_is_told_in_one_line(run, tmp_path):
    broken = shutil.copytree(run, tmp_path / "broken")
    for name in ("journal.db", "run.h5"):
        spoil(broken / name, *range(0, (broken / name).stat().st_size - 64, 512))
    assert "run.h5: cannot read" in refused(str(broken), code=6)


def left_open(folder: Path, said: str, until: float) -> Said:
    """Make the record of a run that has not ended, `said` wherever people write; report on it."""
    night = nights.healthy()
    night.until = until
    night.header = replace(night.header, title=said, specimen_id=said)
    night.events = [(until - 60.0, "note", said)]
    night.write(folder).abandon()
    return said_by("report", str(folder), "--json")


@pytest.mark.nights
def test_a_run_without_an_end_is_reported_as_such(tmp_path):
    said = left_open(tmp_path / "night", "P-12", nights.at(18, 30))
    assert said.code == 0, said.err
    assert json.loads(said.out)["outcome"] is None
    assert "not ended" in (tmp_path / "night" / "report.html").read_text(encoding="utf-8")


@pytest.mark.nights
@pytest.mark.parametrize("text", HOSTILE, ids=range(len(HOSTILE)))
def test_what_people_wrote_into_the_record_does_nothing_in_its_report(tmp_path, text):
    if "\x00" in text or "\ud800" in text:
        # Neither SQLite nor UTF-8 holds these; the page by itself is tested with them.
        text = text.translate({0: None, 0xD800: None})
    said = left_open(tmp_path / "night", text, nights.at(18, 12))
    assert said.code == 0, said.err
    page = Pieces((tmp_path / "night" / "report.html").read_text(encoding="utf-8"))
    assert not page.all("script", "img", "base", "iframe")
    assert not [name for e in page.elements for name in e.given if name.startswith("on")]
    notes = [e for e in page.all("bdi") if e.given["data-key"].startswith("events.")]
    raw = [json.loads(e.given["data-json"]) if "data-json" in e.given else e.text for e in notes]
    assert text in raw
