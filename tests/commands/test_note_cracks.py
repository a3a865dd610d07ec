"""`nightrig note` on an ended run as it is typed: readings, pictures, what is found, and lists."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import shutil
import signal
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import h5py
import pytest

from rig.assembly.rehearsal import rehearse
from rig.commands.files import load
from rig.record import Recorder, after_end, trouble_in_run_file
from rig.record.after_end import added_after
from rig.record.cracks import Found, found_after, read_cracks
from rig.record.entries import Ending
from rig.record.journal import JournalWriter
from rig.record.runfile import make_run_file
from rig.replay.recording import open_recording
from rig.report.crack_growth import growth_of
from tests.commands.cut_off import copy, events, files, said_by
from tests.record.runs import header, likely_rows
from tests.record.test_pictures import PNG
from tests.replay.tables import series, text_of, write

BY = ("--by", "A. Name")
FIRST = (
    *("--crack", "C1", "--face", "front", "--at", "400 mm", "--tip", "1.5 in"),
    *("--direction", "flexural", "--width", "0.12 mm", "--length", "60 mm"),
)


@pytest.fixture(scope="session")
def ran_out(tmp_path_factory) -> Path:
    """The folder of a rehearsal that ran out; work on a copy."""
    folder = tmp_path_factory.mktemp("ran-out")
    assert rehearse(load(*files(folder, 30)), folder / "run", 1).outcome == "run-out"
    return folder / "run"


@pytest.fixture
def run(ran_out, tmp_path) -> Path:
    return copy(ran_out, tmp_path)


@pytest.fixture
def failed(run) -> Path:
    """The same, as if it had not run out: nothing of that is looked at here but its outcome."""
    with closing(JournalWriter(run)) as journal:
        journal.ending(Ending("failure", "stiffness", 30, 60.0))
        journal.commit()
        make_run_file(run, journal)
        journal.settle()
    return run


def note(run: Path, *words: str):
    return said_by("note", str(run), *words, *BY)


def log_of(run: Path):
    with open_recording(run / "run.h5") as recording:
        return read_cracks(recording)


def test_a_reading_after_the_end_is_in_run_h5_with_its_units_turned_into_si(run):
    said = note(run, "=HYPERLINK(1)\x1b[2J <b>wet</b>", *FIRST)
    assert said.code == 0
    words, recorded = said.out.splitlines()
    assert words == (
        "acted: written down: entry 1: C1 front, 400 mm from the left support, flexural, "
        "tip 38.1 mm above the soffit, 0.12 mm wide, 60 mm long: =HYPERLINK(1) [2J <b>wet</b>; "
        "run.h5 was made anew with it"
    )
    assert recorded == "recorded"
    with h5py.File(run / "run.h5") as file:  # as a stranger reads it
        (row,) = file["cracks"][:]
        names, words = file["cracks"].dtype.names, file["cracks"].attrs["units"]
        units = dict(zip(names, words.split(", "), strict=True))
    assert [row[name] for name in ("position", "height", "width", "length")] == [
        pytest.approx(value) for value in (0.4, 0.0381, 1.2e-4, 0.06)
    ]
    assert {units[name] for name in ("position", "height", "width", "length")} == {"m"}
    assert (row["by"], row["kind"]) == (b"A. Name", b"reading")
    assert row["at_utc"].decode().endswith("+00:00")
    (told,) = events(run, "crack")
    assert told.startswith("A. Name: entry 1: C1 front")
    assert "; after the end, 20" in told
    assert trouble_in_run_file(run) == ""


REFUSED = {
    "a count where it did not stand": (
        ("--crack", "C1", "--read-at", "20"),
        "--read-at 20: the test did not stand there; it stood at ",
    ),
    "beyond the specimen": (
        ("--crack", "C1", "--face", "front", "--at", "4 m"),
        "4000 mm from the left support is beyond the specimen",
    ),
    "no face": (("--crack", "C1", "--face", "side", "--at", "1 m"), "face 'side' is none"),
    "no unit": (("--crack", "C1", "--width", "0.1"), "--width '0.1'"),
    "another unit": (("--crack", "C1", "--width", "1 kN"), "--width '1 kN'"),
    "nothing to correct": (("--correct", "7", "--width", "1 mm"), "there is no entry 7"),
    "no picture": (("--picture", "/dev/null"), "/dev/null: is no plain file"),
    "a mode of a run-out": (("--mode", "shear"), "this one ran out"),
    "a catch can": (("--catch-can", "1 L/min", "--face", "top"), "belongs to a test that runs"),
    "a moved sensor": (("new foot", "--moved", "midspan"), "belongs to a test that runs"),
    "a label of markup": (("--crack", "<b>", "--face", "top", "--at", "1 m"), "label '<b>'"),
    "a lost text too long": (("--crack", "C1", "--lost", "x" * 201), "it takes 200"),
}


@pytest.mark.parametrize(("words", "told"), REFUSED.values(), ids=REFUSED.keys())
def test_what_is_refused_after_the_end_is_one_line_and_changes_nothing(ran_out, words, told):
    before = {p.name: p.read_bytes() for p in ran_out.iterdir() if p.name != "lock"}
    said = note(ran_out, *words)
    assert (said.code, said.out) == (2, "")
    (line,) = said.err.splitlines()
    assert told in line
    assert {p.name: p.read_bytes() for p in ran_out.iterdir() if p.name != "lock"} == before


USAGE = {
    "read when, but what": (("wet", "--read-at", "5"), "--read-at belongs to --crack"),
    "read before the first": (("wet", "--read-at", "0"), "--read-at belongs to --crack"),
    "more wires than there can be": (("--wires-broken", "1001"), "no whole number from 0 to 1000"),
    "two notes": (("--crack", "C1", "--mode", "shear"), "are two notes"),
    "a width of no crack": (("wet", "--width", "1 mm"), "--width belongs to a crack"),
    "a face of nothing": (("wet", "--face", "top"), "--face belongs to --crack"),
    "taken back, but what": (("wrong", "--withdraw"), "needs the number of the entry"),
    "a list and a reading": (("--list", *FIRST), "--list prints what is in the record"),
    "prompts and words": (("wet", "--cracks"), "--cracks asks for everything"),
    "two questions": (("--cracks", "--list"), "write notes without it"),
    "void and valid": (("--void", "hit", "--valid"), "not both"),
    "where, but how many": (("--wires-where", "mid-span"), "how many broke"),
    "entry 0": (("--correct", "0"), "0 is no whole number from 1 on"),
    "fewer wires than none": (("--wires-broken", "-1"), "no whole number from 0"),
}


@pytest.mark.parametrize(("words", "told"), USAGE.values(), ids=USAGE.keys())
def test_options_that_do_not_go_together_are_answered_in_a_line(ran_out, words, told):
    said = note(ran_out, *words)
    assert (said.code, said.out) == (2, "")
    (line,) = said.err.splitlines()
    assert told in line


@pytest.mark.nights
def test_what_is_found_after_the_end_is_kept_and_the_newest_counts(failed):
    found = ("--mode", "tendon fracture", "--wires-broken", "3", "--wires-where", "at mid-span")
    assert note(failed, "it was loud", *found, "--rust", "none", "--valid").code == 0
    entries = log_of(failed)
    assert [(e.kind, e.fact) for e in entries] == [
        ("after-test", "mode"),
        ("after-test", "valid"),
        ("after-test", "wires"),
        ("after-test", "rust"),
        ("words", ""),
    ]
    words = ("it was loud",)
    assert found_after(entries) == Found(
        "tendon fracture", True, "", 3, "at mid-span", "none", words
    )
    said = note(failed, "--void", "the frame leaned", "--mode", "something else")
    assert "a series knows no mode 'something else', but tendon fracture" in said.out
    now = found_after(log_of(failed))
    assert (now.valid, now.void_reason, now.mode) == (False, "the frame leaned", "something else")
    assert note(failed, "typed into the wrong run", "--correct", "6", "--withdraw").code == 0
    assert found_after(log_of(failed)).mode == "tendon fracture"
    listed = said_by("note", str(failed), "--list").out
    assert "valid; entry 7 counts" in " ".join(listed.split())
    assert note(failed, "--mode", "Shear", "--rust", "None").code == 0
    last = found_after(log_of(failed))
    assert (last.mode, last.rust) == ("shear", "none")


@pytest.mark.nights
def test_a_map_on_paper_is_written_down_later_as_of_its_inspection(tmp_path, monkeypatch):
    run = tmp_path / "run"
    recorder = Recorder.create(run, header())
    recorder.cycles(likely_rows(1, 50))
    recorder.inspection(3.0, 10, 60.0, "")
    recorder.finish("operator", "asked", 50, 10.0)
    assert note(run, *FIRST, "--read-at", "10").code == 0
    answers(monkeypatch, "0.14", "65", "", "", "")
    assert said_by("note", str(run), "--cracks", "--read-at", "10", *BY).code == 0
    assert note(run, "--crack", "C1", "--width", "0.3 mm").code == 0
    entries = log_of(run)
    assert [entry.cycle for entry in entries] == [10, 10, 50]
    growth = growth_of(entries, ended=50)
    assert [(at.cycle, at.after_end) for at in growth.inspections] == [(10, False), (50, True)]


def test_an_inspection_that_was_under_way_at_the_end_is_one_to_read_at(tmp_path):
    run = tmp_path / "run"
    recorder = Recorder.create(run, header())
    recorder.cycles(likely_rows(1, 50))
    recorder.event(4.0, 20, "state", "waiting, inspection at 20 cycles")
    recorder.event(5.0, 30, "state", "cycling, counts on")
    recorder.finish("operator", "asked", 50, 10.0)
    said = note(run, *FIRST, "--read-at", "30")
    assert (said.code, "it stood at 20" in said.err) == (2, True)
    assert note(run, *FIRST, "--read-at", "20").code == 0
    assert [entry.cycle for entry in log_of(run)] == [20]


@pytest.mark.nights
def test_a_picture_is_copied_beside_the_record_and_bound_by_its_hash(run, tmp_path):
    shot = tmp_path / "shot.png"
    shot.write_bytes(PNG)
    sha256 = hashlib.sha256(PNG).hexdigest()
    assert note(run, "the whole beam", "--picture", str(shot)).code == 0
    same = note(run, *FIRST, "--picture", str(shot))
    assert "it is the same picture as that of entry 1" in " ".join(same.out.split())
    assert [p.name for p in (run / "pictures").iterdir()] == [f"{sha256}.png"]
    of_all, of_one = log_of(run)
    assert (of_all.kind, of_all.crack, of_all.picture) == ("picture", "", sha256)
    assert (of_one.kind, of_one.crack, of_one.picture) == ("reading", "C1", sha256)
    (run / "pictures" / f"{sha256}.png").unlink()
    assert "; the picture is not in the folder" in said_by("note", str(run), "--list").out


def test_the_picture_of_a_reading_that_is_refused_is_not_kept(run, tmp_path):
    shot = tmp_path / "shot.png"
    shot.write_bytes(PNG)
    assert note(run, "--crack", "C1", "--picture", str(shot)).code == 2
    assert not (run / "pictures").exists()


@pytest.mark.nights
def test_the_log_is_listed_with_what_was_corrected_and_withdrawn(run):
    note(run, *FIRST)
    note(run, "--correct", "1", "--width", "0.15 mm")
    note(run, "--crack", "C2", "--face", "bottom", "--at", "500 mm")
    note(run, "a scratch", "--correct", "3", "--withdraw")
    before = (run / "run.h5").read_bytes()
    lines = [line.strip() for line in said_by("note", str(run), "--list").out.splitlines()]
    assert lines[0].endswith("1 of 4 entries of its crack log stand")
    assert "0.15 mm wide" in lines[1]
    assert lines[2] == "* corrected by entry 2 (A. Name)"
    assert lines[3].startswith("before: C1 front")
    assert "0.12 mm wide" in lines[3]
    assert lines[5] == "* withdrawn by entry 4 (A. Name): a scratch"
    told = json.loads(said_by("note", str(run), "--list", "--json").out)
    (stands,) = told["standing"]
    assert (stands["number"], stands["width_m"], stands["length_m"]) == (1, 0.15e-3, 0.06)
    assert told["corrected"] == {"1": [2], "3": [4]}
    assert told["entries"][2]["width_m"] is None
    assert (run / "run.h5").read_bytes() == before


@pytest.mark.nights
def test_hostile_words_do_no_harm_in_a_terminal_or_a_table(run, tmp_path):
    assert note(run, "=1+1", *FIRST, "--lost", "@SUM(A1)\x1b[2J").code == 0
    with added_after(run) as record:  # as another program could have written it
        hostile = record.new("words", "\x1b]0;x\x07", "2001\x1b[2J", "\u202e<script>\n\x9b31m")
        record.add(replace(hostile, number=2))
    listed = said_by("note", str(run), "--list").out
    assert all(line.isprintable() for line in listed.splitlines())
    assert len(listed.splitlines()) == 3
    assert said_by("export", str(run), "--out", str(tmp_path / "csv")).code == 0
    with (tmp_path / "csv" / "cracks.csv").open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@", "\t", "\r"))]
    assert any(cell.endswith("=1+1") for cell in cells)


def test_an_empty_log_is_told_and_a_folder_without_a_run_refused(run, tmp_path):
    assert said_by("note", str(run), "--list").out == f"{run}: nothing in its crack log\n"
    (tmp_path / "none").mkdir()
    assert said_by("note", str(tmp_path / "none"), "--list").code == 2
    for question in ("--list", "--cracks"):
        said = said_by("note", str(tmp_path / "nosuch"), question)
        assert (said.code, said.out) == (2, "")
        assert "nosuch: there is no such folder" in said.err
    assert said_by("note", str(tmp_path / "none"), *FIRST).code == 2


@pytest.mark.nights
def test_a_test_that_was_cut_off_is_refused_with_what_to_do(killed, tmp_path):
    folder = copy(killed, tmp_path)
    for words in (FIRST, ("--mode", "shear"), ("--cracks",)):
        said = note(folder, *words)
        assert said.code == 2
        assert "Go on with: nightrig resume" in said.err
    assert said_by("note", str(folder), "--list").out.endswith("nothing in its crack log\n")


def test_a_known_crack_that_is_new_on_a_face_needs_its_place_there(run):
    assert note(run, *FIRST).code == 0
    new = ("--crack", "c1", "--face", "back", "--width", "0.1 mm")
    said = note(run, *new)
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith("C1 is not known on back yet; give its place along the span too")
    assert len(log_of(run)) == 1
    assert note(run, *new, "--at", "410 mm").code == 0
    assert note(run, *new).code == 0  # it is known there now
    assert [entry.face for entry in log_of(run)] == ["front", "back", "back"]


def answers(monkeypatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def close(*hundredths: float) -> list[object]:
    """Lengths [m] near so many hundredths of a millimetre."""
    return [pytest.approx(value * 1e-5) for value in hundredths]


@pytest.mark.nights
def test_prompts_go_through_what_is_known_then_ask_for_new_cracks(run, monkeypatch):
    note(run, *FIRST)
    note(run, "--crack", "C2", "--face", "bottom", "--at", "500 mm", "--width", "0.2 mm")
    new = ["<b>", "C3", "", "ba", "9 m", "0.9 m", "longi", "", "0,1", "0.1", "not read", "a spall"]
    wrong = ["C1", "front", "900", "l", "", "", "", ""]
    first = ["0.14", "55", "", "", "n", "0.14", "65", "50", ""]
    answers(monkeypatch, *first, "0.3", "s", *wrong, "", *new, "C4", "s", "")
    said = said_by("note", str(run), "--cracks", *BY)
    assert said.code == 0
    assert "1 of 2: C1 front, 400 mm from the left support, flexural; last at cycle" in said.err
    assert "length was 60 mm, now 55 mm: cracks do not heal; keep it (y/n)" in said.err
    assert "refused: C1 is flexural since it was found" in said.err
    assert "'0,1': " in said.err
    assert "label '<b>' is none" in said.err
    assert "9000 mm from the left support is beyond the specimen" in said.err
    assert "2 readings written down" in said.err
    known, found = log_of(run)[2:]
    assert known.height == pytest.approx(0.05)
    assert (known.crack, known.face, known.width, known.length) == ("C1", "front", *close(14, 6500))
    assert (found.crack, found.face, found.direction) == ("C3", "back", "longitudinal")
    assert (found.position, found.width, found.lost) == (0.9, *close(10), "a spall")
    assert math.isnan(found.height)
    assert math.isnan(found.length)


def test_prompts_that_are_broken_off_lose_nothing(run, monkeypatch):
    note(run, *FIRST)
    answers(monkeypatch, "0.14", "65", "", "", "C2", "top", "500", "f", "0.1")  # and its end
    said = said_by("note", str(run), "--cracks", *BY)
    assert said.code == 0
    assert "left" in said.err.splitlines()
    assert "1 reading written down" in said.err
    assert [(e.crack, e.width) for e in log_of(run)] == [("C1", value) for value in close(12, 14)]
    assert trouble_in_run_file(run) == ""


@pytest.mark.nights
def test_an_imported_run_is_added_to_and_keeps_its_samples(tmp_path):
    path, folder = write(tmp_path, text_of(series())), tmp_path / "imported"
    assert said_by("import", str(path), "--out", str(folder)).code == 0
    with h5py.File(folder / "run.h5") as file:
        before = file["full_rate/load"][:].tobytes()
    said = note(folder, "an old beam", "--rust", "brown")
    assert "the size of the specimen is not known" in said.out
    with h5py.File(folder / "run.h5") as file:
        assert file["full_rate/load"][:].tobytes() == before
        assert len(file["cracks"]) == 2
    assert trouble_in_run_file(folder) == ""
    damaged = shutil.copytree(folder, tmp_path / "damaged")
    data = (damaged / "run.h5").read_bytes()
    (damaged / "run.h5").write_bytes(data[: len(data) // 2])
    journal = (damaged / "journal.db").read_bytes()
    refused = note(damaged, "more")
    assert refused.code == 6
    assert "import the file once more" in refused.err
    assert (damaged / "journal.db").read_bytes() == journal


@pytest.mark.nights
def test_ctrl_c_while_the_run_file_is_made_anew_loses_nothing(run, monkeypatch):
    make = after_end.make_run_file

    def interrupted(folder, writer):
        signal.raise_signal(signal.SIGINT)  # somebody is impatient
        return make(folder, writer)

    monkeypatch.setattr(after_end, "make_run_file", interrupted)
    answers(monkeypatch, "C1", "top", "500", "f", "0.1", "", "", ".")
    said = said_by("note", str(run), "--cracks", *BY)
    assert (said.code, said.err.splitlines()[-1]) == (0, f"{run}: 1 reading written down")
    assert [e.crack for e in log_of(run)] == ["C1"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
