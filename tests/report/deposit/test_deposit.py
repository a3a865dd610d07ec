"""A deposit stands alone: its files are those of the run, and other programs find them whole."""

from __future__ import annotations

import csv
import hashlib
import shutil
import socket
import subprocess
import zipfile
from pathlib import Path

import h5py
import pytest
from PIL import Image

from rig.errors import InputError, StorageError
from rig.report.deposit import files
from rig.report.deposit.checking import check
from rig.report.deposit.files import held
from rig.report.deposit.people import read_authors
from rig.report.deposit.position import tells_position
from rig.report.deposit.writing import Asked, deposit
from rig.report.document import Document
from rig.report.page import page_of
from rig.report.written_report import of_run
from tests.record.runs import header
from tests.replay.read_back import differing
from tests.report.deposit.conftest import AUTHORS, NASTY, Made, make_run, pictures

pytestmark = pytest.mark.xdist_group("deposit")  # they share a run

ASKED = Asked(authors=read_authors(AUTHORS), licence="CC-BY-4.0", what=("events",))


def names(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.system
def test_sha256sum_finds_every_file_as_it_was_written(made, system_program):
    # GNU coreutils, sha256sum: --strict refuses a line that is none of its own.
    command = [system_program("sha256sum"), "--strict", "-c", "SHA256SUMS"]
    done = subprocess.run(command, cwd=made.folder, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    told = {line.removesuffix(": OK") for line in done.stdout.splitlines()}
    assert told | {"SHA256SUMS"} == names(made.folder)


def test_run_h5_is_a_copy_and_no_second_name(made):
    assert (made.folder / "run.h5").read_bytes() == (made.run / "run.h5").read_bytes()
    assert (made.folder / "run.h5").stat().st_nlink == 1


@pytest.mark.nights
def test_the_tables_hold_the_same_bits(made):
    assert differing(made.folder / "csv", made.run / "run.h5") == []


@pytest.mark.parametrize("piece", [1, 2, 7, 1 << 20])
def test_rows_are_counted_as_another_reader_does(tmp_path, monkeypatch, piece):
    monkeypatch.setattr(files, "_PIECE", piece)
    table = tmp_path / "a.csv"
    table.write_text('text,x\n"a\n""b""\n",1\n"""\n\n""",2\nplain,3\n')
    with table.open(newline="") as file:
        assert held(table).rows == len([*csv.reader(file)]) - 1 == 3


def test_the_files_as_written_are_there(made):
    with h5py.File(made.run / "run.h5") as file:
        kept = {name: file[name].asstr()[()] for name in ("protocol", "rig", "specimen", "series")}
    there = {p.stem: p.read_text("utf-8") for p in (made.folder / "files").iterdir()}
    assert there == {name: text for name, text in kept.items() if text}


def test_no_text_of_the_record_becomes_the_name_of_a_file(made):
    kinds = {"csv", "files", "pictures"}
    for name in names(made.folder):
        head, _, rest = name.partition("/")
        assert head in kinds or not rest
        assert name.isascii()
        assert len(name) < 100
    # What the log names in the place of a hash lies outside of the run, and stays there.
    assert "not beside the record, and not here: 1." in " ".join(made.told.cautions)


def test_pictures_stay_whole_and_one_that_tells_its_place_is_told(made):
    kept = sorted((made.folder / "pictures").iterdir())
    assert len(kept) == 2
    assert all(p.stem == held(p).sha256 for p in kept)
    (taken,) = [p.name for p in kept if p.suffix == ".jpg"]
    told = [c for c in made.told.cautions if "GPS" in c]
    assert len(told) == 1
    assert told[0].startswith(f"pictures/{taken} tells where it was taken")


def test_a_position_is_found_in_every_place_that_holds_one(tmp_path):
    taken, plain = pictures(tmp_path)
    assert (tells_position(taken), tells_position(plain)) == (True, False)
    with Image.open(taken) as picture:
        picture.save(tmp_path / "exif.png", exif=picture.getexif())
        picture.save(tmp_path / "bare.jpg")
    assert tells_position(tmp_path / "exif.png") is True
    assert tells_position(tmp_path / "bare.jpg") is False
    (tmp_path / "xmp.png").write_bytes(plain.read_bytes() + b'exif:GPSLatitude="1,0N"')
    assert tells_position(tmp_path / "xmp.png") is True
    filled = taken.read_bytes().replace(b"\xff\xe1", b"\xff\xff\xff\xe1", 1)
    (tmp_path / "filled.jpg").write_bytes(filled)
    assert tells_position(tmp_path / "filled.jpg") is True


def test_of_a_torn_picture_it_is_said_that_nobody_knows(tmp_path):
    for path in pictures(tmp_path):
        for length in (3, 10, 20, 25):
            torn = tmp_path / f"torn{path.suffix}"
            torn.write_bytes(path.read_bytes()[:length])
            assert tells_position(torn) is None, (path.suffix, length)


def test_pictures_are_left_out_where_that_is_asked(made, tmp_path):
    told = deposit(made.run, tmp_path / "out", Asked(what=("events",), pictures=False))
    assert not (tmp_path / "out" / "pictures").exists()
    assert "Pictures of the crack log left out: 3;" in " ".join(told.cautions)


def test_the_same_record_gives_the_same_bytes_and_a_zip_file_holds_them(made, tmp_path):
    told = [deposit(made.run, tmp_path / name, ASKED) for name in ("a.zip", "b.zip")]
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.zip") as archive:
        held_there = {n: hashlib.sha256(archive.read(n)).hexdigest() for n in archive.namelist()}
    assert held_there == {name: file.sha256 for name, file in told[0].files.items()}
    assert check(tmp_path / "b.zip") == told[1].files


def test_nothing_is_asked_of_the_network(made, tmp_path, monkeypatch):
    def refused(*_: object) -> None:
        raise AssertionError("a connection was begun")

    monkeypatch.setattr(socket.socket, "connect", refused)
    deposit(made.run, tmp_path / "out", ASKED)
    assert check(tmp_path / "out")


def test_the_three_lines_of_the_readme_read_the_run(made):
    _, _, text = (made.folder / "README.txt").read_text("utf-8").partition("How to read run.h5")
    lines = [line.strip() for line in text.splitlines() if line.startswith("    ")][:3]
    said: list[str] = []
    code = "\n".join(lines).replace('"run.h5"', repr(str(made.folder / "run.h5")))
    exec(code, {"print": lambda *words: said.extend(map(str, words))})
    assert "'outcome': 'run-out'" in said[0]
    assert said[-1] == "N"


def test_the_readme_is_plain_text_that_warns(made):
    text = (made.folder / "README.txt").read_text("utf-8")
    assert all(letter == "\n" or letter.isprintable() for letter in text)
    assert max(map(len, text.splitlines())) < 250
    for words in ("SIMULATED", "Names of people", "SI everywhere", "CC-BY-4.0", "Josiah Carberry"):
        assert words in text


def test_what_was_not_written_as_csv_is_said(made, tmp_path):
    deposit(made.run, tmp_path / "out", ASKED)
    text = (tmp_path / "out" / "README.txt").read_text("utf-8")
    assert "Not written as CSV, and in run.h5 alone: cycles, build-up, slow" in text
    assert not (tmp_path / "out" / "csv" / "cycles.csv").exists()


def reported(of: str, said: str) -> str:
    """Return a page of a report in few words."""
    return page_of(Document("Report", ("A run",), (said,), (), (), ()), {}, of)


def test_reports_beside_the_run_join_and_an_older_one_is_told(made, tmp_path):
    shutil.copy(made.run / "run.h5", tmp_path / "run.h5")
    of = of_run(NASTY, header().started_utc)
    for said, told in ((held(made.run / "run.h5").sha256, False), ("older", True)):
        text = reported(of, said)
        (tmp_path / "report.html").write_text(text)
        out = tmp_path / f"out-{told}"
        written = deposit(tmp_path / "run.h5", out, ASKED)
        assert (out / "report.html").read_text() == text
        assert any("report.html does not name" in c for c in written.cautions) is told


@pytest.mark.parametrize("kind", ["report.html", "report.pdf", "link"])
def test_a_report_of_another_run_is_left_out_and_told(made, tmp_path, kind):
    shutil.copy(made.run / "run.h5", tmp_path / "run.h5")
    name = kind if kind != "link" else "report.html"
    of = "another" if kind != "link" else of_run(NASTY, header().started_utc)
    (tmp_path / name).write_text(reported(of, held(made.run / "run.h5").sha256))
    if kind == "link":
        (tmp_path / name).rename(tmp_path / "elsewhere")
        (tmp_path / name).symlink_to(tmp_path / "elsewhere")
    written = deposit(tmp_path / "run.h5", tmp_path / "out", ASKED)
    assert name not in written.files
    assert not (tmp_path / "out" / name).exists()
    assert any(f"{name} beside the record is a link or no" in c for c in written.cautions)


def test_a_run_file_that_cannot_be_read_is_named_as_it_was_given(tmp_path):
    (tmp_path / "run.h5").write_bytes(b"x")
    with pytest.raises(StorageError) as told:
        deposit(tmp_path / "run.h5", tmp_path / "out", ASKED)
    assert str(told.value).startswith(f"{tmp_path / 'run.h5'}: cannot read the run file")


def retold(made: Made, folder: Path, **attributes: object) -> Path:
    """Copy a run.h5 and change what it tells."""
    shutil.copy(made.run / "run.h5", folder / "run.h5")
    with h5py.File(folder / "run.h5", "r+") as file:
        file.attrs.update(attributes)
    return folder / "run.h5"


def test_the_date_is_that_of_the_record_in_utc(made, tmp_path):
    run = retold(made, tmp_path, started_utc="2026-01-01T01:30:00+02:00", ended_time=60.0)
    written = deposit(run, tmp_path / "out", ASKED)
    assert any("last entry, 2025-12-31;" in caution for caution in written.cautions)


@pytest.mark.parametrize(
    "told", [{"ended_time": 1e300}, {"started_utc": "9999-12-31T23:59:59+00:00"}]
)
def test_an_end_that_no_calendar_has_is_not_told(made, tmp_path, told):
    deposit(retold(made, tmp_path, **told), tmp_path / "out", ASKED)
    assert "Ended          not told" in (tmp_path / "out" / "README.txt").read_text("utf-8")


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan"), float("inf")])
def test_a_rate_that_is_none_is_one_line(made, tmp_path, rate):
    with pytest.raises(StorageError, match=r"run\.h5: .* samples a second are none; the file is"):
        deposit(retold(made, tmp_path, rate=rate), tmp_path / "out", ASKED)


def test_a_run_that_has_not_ended_makes_no_deposit(tmp_path):
    run = make_run(tmp_path / "run", ended=False)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(InputError, match="has no end yet"):
        deposit(run, tmp_path / "out", ASKED)
    assert sorted(tmp_path.rglob("*")) == before


def test_who_the_crack_log_names_is_told_on_one_line(made: Made):
    assert "A. Name" in made.told.people
    assert all("\n" not in name and "\x1b" not in name for name in made.told.people)
    assert NASTY not in made.told.people


def test_an_imported_run_is_called_so_and_has_no_outcome(made, tmp_path):
    # The attributes are those that an import leaves in run.h5.
    shutil.copy(made.run / "run.h5", tmp_path / "kept.h5")
    with h5py.File(tmp_path / "kept.h5", "r+") as file:
        file.attrs["imported"] = "imported from loads.csv"
        file.attrs["simulated"] = False
        file.attrs["outcome"] = ""
    told = deposit(tmp_path / "kept.h5", tmp_path / "out", ASKED)
    text = (tmp_path / "out" / "README.txt").read_text("utf-8")
    assert "IMPORTED, not recorded by this program: imported from loads.csv." in text
    assert "No outcome was judged; 12 counted cycles." in text
    assert "SIMULATED" not in text
    assert "This run was imported" in " ".join(told.cautions)
