"""Page and paper on the disk: replaced whole or not at all, and nothing of anybody else's."""

from __future__ import annotations

import errno
import os
from dataclasses import replace
from pathlib import Path

import pytest
from matplotlib.backends.backend_pdf import PdfFile

from rig.errors import InputError, StorageError
from rig.report.document import Drawn
from rig.report.written_report import of_run, write_report
from tests.report.page.documents import document

MADE = replace(document(), sections=document().sections[:1])
"""A short one, without figures."""
DRAWN = replace(
    document(),
    sections=tuple(s for s in document().sections if any(isinstance(b, Drawn) for b in s.blocks))[
        :1
    ],
)
"""One with a figure."""


@pytest.fixture
def folder(tmp_path) -> Path:
    write_report(MADE, tmp_path / "out", "run-1")
    return tmp_path / "out"


def held(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_a_report_is_a_page_and_a_paper_and_the_same_again_is_the_same(folder):
    before = held(folder)
    assert set(before) == {"report.html", "report.pdf"}
    assert before["report.pdf"].startswith(b"%PDF-")
    assert before["report.html"].startswith(b"<!DOCTYPE html>")
    assert list(write_report(MADE, folder, "run-1")) == [folder / name for name in sorted(before)]
    assert held(folder) == before


def test_a_later_report_of_the_same_replaces_it(folder):
    before = held(folder)
    write_report(replace(MADE, lead=("Something else.",)), folder, "run-1")
    after = held(folder)
    assert set(after) == set(before)
    assert all(after[name] != before[name] for name in before)


def test_two_that_are_written_at_once_do_not_meet(folder, monkeypatch):
    other, replace_file = replace(MADE, lead=("Something else.",)), os.replace
    second: list[Path] = []

    def replaced(old, new):
        if not second:
            second.append(folder)
            second.extend(write_report(other, folder, "run-1"))
        replace_file(old, new)

    before = held(folder)
    monkeypatch.setattr(os, "replace", replaced)
    write_report(MADE, folder, "run-1")
    assert len(second) == 3
    assert held(folder) == before


@pytest.mark.parametrize("run_id", ['"<' * 5000, "\udcff\ud800", "\x1b\n<b>"])
def test_whatever_a_run_is_called_its_report_is_known_again_and_no_other(tmp_path, run_id):
    of = of_run(run_id, "2026-01-01T00:00:00+00:00")
    write_report(MADE, tmp_path, of)
    before = held(tmp_path)
    write_report(MADE, tmp_path, of)
    with pytest.raises(InputError, match="is the report of "):
        write_report(MADE, tmp_path, of_run(f"{run_id}.", "2026-01-01T00:00:00+00:00"))
    assert held(tmp_path) == before


def test_the_report_of_another_run_is_not_replaced(folder):
    before = held(folder)
    with pytest.raises(InputError, match="is the report of run-1, not of run-2"):
        write_report(MADE, folder, "run-2")
    assert held(folder) == before


@pytest.mark.parametrize("name", ["report.html", "report.pdf"])
@pytest.mark.parametrize("kind", ["file", "folder", "link"])
def test_a_file_of_somebody_else_stays(tmp_path, name, kind):
    path = tmp_path / name
    if kind == "folder":
        path.mkdir()
    elif kind == "link":
        path.symlink_to("/nowhere")
    else:
        path.write_bytes(b"<!DOCTYPE html>mine")
    with pytest.raises(InputError, match=f"{name}: is no report of "):
        write_report(MADE, tmp_path, "run-1")
    assert [each.name for each in tmp_path.iterdir()] == [name]


def test_a_folder_is_made_but_none_above_it_nor_in_place_of_a_file(tmp_path):
    with pytest.raises(InputError, match="there is no such folder"):
        write_report(MADE, tmp_path / "a" / "b", "run-1")
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="is no folder"):
        write_report(MADE, tmp_path / "file", "run-1")


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_on_a_full_disk_the_earlier_report_stays_and_nothing_is_left(folder, monkeypatch, call):
    before = held(folder)

    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, call, full)
    with pytest.raises(StorageError, match="the disk is full") as told:
        write_report(replace(MADE, lead=("Something else.",)), folder, "run-1")
    assert told.value.exit_code == 6
    assert "\n" not in str(told.value)
    assert held(folder) == before


def test_where_figures_cannot_be_put_on_paper_the_page_is_written_all_the_same(
    tmp_path, monkeypatch
):
    write_report(DRAWN, tmp_path, "run-1")
    before = held(tmp_path)
    monkeypatch.setattr(PdfFile, "writeTrailer", lambda file: file.write(b"startxref\n7\n"))
    with pytest.raises(StorageError, match=r"report\.html was; figures as matplotlib") as told:
        write_report(replace(DRAWN, lead=("Something else.",)), tmp_path, "run-1")
    assert "\n" not in str(told.value)
    after = held(tmp_path)
    assert after["report.pdf"] == before["report.pdf"]
    assert b"Something else." in after["report.html"]
    assert set(after) == set(before)
