"""`export --bundle` and `export --check` as they are typed: lines, objects, exit codes."""

from __future__ import annotations

import json
import os
import resource
import shlex
import sys

import pytest

from rig.commands.main import main

pytestmark = pytest.mark.xdist_group("deposit")  # they share a run

ASKED = ("--bundle", "--what", "events", "--author", "Doe, Jo", "--license", "cc0-1.0")


def told_by(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[object, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["export", *map(str, words)])
    said = capsys.readouterr()
    return left.value.code, said.out, said.err


def test_a_bundle_is_written_told_and_checked(made, tmp_path, capsys):
    place = tmp_path / "a\x1b[2J.zip"
    code, out, err = told_by(capsys, made.run, "--out", place, *ASKED)
    assert code == 0
    lines = out.splitlines()
    assert lines[0].startswith(f"{tmp_path}/a\\x1b[2J.zip: ")
    assert "read back whole" in lines[0]
    assert any("GPS" in line for line in lines)
    assert all(letter == "\n" or letter.isprintable() for letter in out + err)
    code, out, err = told_by(capsys, place, "--check")
    assert code == 0
    assert ": whole: " in out
    assert all(letter == "\n" or letter.isprintable() for letter in out + err)
    assert [*tmp_path.iterdir()] == [place]


def test_for_scripts_it_is_one_object(made, tmp_path, capsys):
    code, out, _ = told_by(capsys, made.run, "--out", tmp_path / "a", *ASKED, "--json")
    told = json.loads(out)
    assert code == 0
    assert told["bundle"] == str(tmp_path / "a")
    assert all(os.path.isfile(tmp_path / "a" / name) for name in told["files"])
    assert told["rows"]["csv/events.csv"] == 3
    code, out, _ = told_by(capsys, tmp_path / "a", "--check", "--json")
    assert (code, json.loads(out)["files"]) == (0, len(told["files"]))
    (tmp_path / "a" / "README.txt").write_text("x")
    code, out, _ = told_by(capsys, tmp_path / "a", "--check", "--json")
    assert code == 6
    assert "README.txt: does not hold what SHA256SUMS says" in json.loads(out)["why"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--author", "Doe, Jo"), "--author: belongs to a bundle; give --bundle too"),
        (("--without-pictures",), "--without-pictures: belongs to a bundle"),
        (("--bundle", "--author", "Doe"), '--author: "Doe" is no family name and given name'),
        (("--bundle", "--license", "free"), '--license: "free" is no id of the SPDX list'),
        (("--bundle", "--what", "cycle"), "--what: there is no 'cycle'"),
        (("--check",), "--check: reads a bundle and writes nothing"),
    ],
)
def test_a_slip_is_one_line_and_writes_nothing(made, tmp_path, capsys, words, said):
    code, out, err = told_by(capsys, made.run, "--out", tmp_path / "out", *words)
    assert (code, out) == (2, "")
    assert err.splitlines()[-1].startswith(said)
    assert list(tmp_path.iterdir()) == []


def test_without_a_place_or_a_bundle_it_is_said_what_is_missing(made, tmp_path, capsys):
    code, _, err = told_by(capsys, made.run, "--bundle")
    assert (code, err) == (2, "--out: is missing; name a new folder\n")
    code, _, err = told_by(capsys, tmp_path / "none.zip", "--check")
    assert (code, err.splitlines()[-1].endswith("name its folder or zip file")) == (2, True)


def test_what_exists_stays_as_it_is(made, tmp_path, capsys):
    (tmp_path / "out.zip").write_text("mine")
    code, _, err = told_by(capsys, made.run, "--out", tmp_path / "out.zip", "--bundle")
    assert code == 2
    assert err.endswith("out.zip: already exists, nothing was written; name a new zip file\n")
    assert (tmp_path / "out.zip").read_text() == "mine"


def test_a_run_that_is_checked_is_no_bundle(made, capsys):
    code, out, err = told_by(capsys, made.run, "--check")
    assert (code, out) == (2, "")
    assert err.startswith(f"{made.run}: is a run and no bundle; make one of it with: ")


def test_without_the_package_it_is_said_how_to_install_it(made, tmp_path, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "rocrate.rocrate", None)
    install = f'pip --python {shlex.quote(sys.executable)} install "rocrate>=0.16"'
    said = f"export --bundle needs the package rocrate: {install}\n"
    code, out, err = told_by(capsys, made.run, "--out", tmp_path / "out", "--bundle")
    assert (code, out, err) == (2, "", said)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ["out", pytest.param("out.zip", marks=pytest.mark.nights)])
def test_a_disk_that_takes_no_more_is_one_line_and_leaves_nothing(made, tmp_path, capsys, name):
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))
    try:
        code, out, err = told_by(capsys, made.run, "--out", tmp_path / name, "--bundle")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert (code, out) == (6, "")
    assert "cannot write the deposit: File too large; the disk is full" in err.splitlines()[-1]
    assert list(tmp_path.iterdir()) == []
