"""An export holds all of a run, and reads back as the same bits."""

from __future__ import annotations

import csv
import json
import os
import resource
from pathlib import Path

import numpy as np
import pytest

from rig.commands.main import main
from rig.errors import InputError, StorageError
from rig.record import FullRateRecord, Recorder
from rig.record.layout import flag_meanings
from rig.replay.chosen_units import chosen_units
from rig.replay.dictionary import FLAGS
from rig.replay.exporting import PIECE, WHAT, Exported, export
from rig.replay.recording import open_recording
from tests.record.runs import SAMPLED, header, record_everything, wild_rows
from tests.replay.read_back import described, differing, rows_of

NASTY = {
    "=1+1": "=1+1",
    "-2 mm, 'quoted' \"twice\"": "'-2 mm",
    "@here\nand\r\nthere": "@",
    "\x1b[2J wiped; C:\\new \u202e": "",
}


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run with something of every kind in it, and rows of any bits."""
    folder = tmp_path_factory.mktemp("recorded") / "run"
    recorder = Recorder.create(folder, header())
    record_everything(recorder)
    recorder.cycles(wild_rows(5001, 300, 1))
    for text in NASTY:
        recorder.event(40.0, 12, "note", text)
    recorder.finish("run-out", "taken off", 12, 50.0)
    return folder


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished run with a record that is exported in pieces, and one that goes on with it."""
    folder = tmp_path_factory.mktemp("recorded") / "long"
    recorder = Recorder.create(folder, header())
    for first, frames in ((1000, PIECE + 10), (1010 + PIECE, 7)):
        samples = np.random.default_rng(frames).normal(0.0, 1e4, (1, frames)).astype(np.float32)
        samples[0, 5:9] = np.nan
        recorder.full_rate(FullRateRecord("stop", 12, first, 1000.0, SAMPLED[:1], samples))
    recorder.finish("operator", "stopped", 0, 50.0)
    return folder


def exported(run: Path, out: Path, units: str = "SI", what: tuple[str, ...] = WHAT) -> Exported:
    with open_recording(run) as recording:
        return export(recording, out, what, chosen_units(units))


@pytest.mark.parametrize("units", ["SI", pytest.param("kN,mm,degC,L", marks=pytest.mark.nights)])
def test_what_is_exported_reads_back_as_the_same_bits(run, tmp_path, units):
    exported(run, tmp_path / "out", units)
    assert differing(tmp_path / "out", run / "run.h5") == []
    assert {row["exact"] for row in described(tmp_path / "out")} == {"yes"}


def test_what_does_not_convert_back_in_other_units_is_told_and_nothing_else(run, tmp_path):
    written = exported(run, tmp_path / "out", "kip,in,degF,gal,min", ("cycles", "static", "slow"))
    told = {
        f"{row['file']}: {row['column']}"
        for row in described(tmp_path / "out")
        if row["exact"].startswith("no: ")
    }
    assert told == set(written.inexact)
    there = {label for label in told if "*" not in label}  # times of samples are not in run.h5
    assert set(differing(tmp_path / "out", run / "run.h5")) == there
    assert "cycles.csv: time [min]" in there
    assert "cycles.csv: load_max [kip]" not in there


def test_every_column_of_every_file_is_in_the_dictionary_and_no_other(run, tmp_path):
    written = exported(run, tmp_path / "out")
    told = {(row["file"], row["column"]) for row in described(tmp_path / "out")}
    there = set()
    for name in written.files:
        if name.endswith(".csv"):
            with (tmp_path / "out" / name).open(encoding="utf-8", newline="") as file:
                place = f"{name.split('/')[0]}/*.csv" if "/" in name else name
                there |= {(place, head) for head in next(csv.reader(file))}
    assert told == there


def test_what_one_record_did_not_keep_has_no_column_in_its_file(run, tmp_path):
    for source in (run, run / "run.h5"):
        out = tmp_path / source.name
        exported(source, out, what=("full-rate",))
        heads = [(out / "full_rate" / f"{n:04d}.csv").read_text().split("\n", 1)[0] for n in (1, 2)]
        assert heads == [
            "time [s],load [N],midspan [m]",
            "time [s],midspan [m],support_left [m]",
        ]


def test_journal_and_run_file_give_the_same_files(run, tmp_path):
    one = exported(run, tmp_path / "one")
    other = exported(run / "run.h5", tmp_path / "other")
    assert one.files == other.files
    for name in one.files:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "other" / name).read_bytes()


def test_a_journal_tells_the_calibration_as_its_run_file_does(run):
    with open_recording(run) as journal, open_recording(run / "run.h5") as file:
        assert journal.entries("calibration") == file.entries("calibration") != []


def test_a_record_has_the_times_of_its_frames(run, tmp_path):
    exported(run, tmp_path / "out", what=("full-rate",))
    index = rows_of(tmp_path / "out" / "full_rate.csv")
    assert [(r["first_frame"], r["frames"], r["rate [Hz]"]) for r in index] == [
        ("7", "30", "1000.0"),
        ("900", "11", "500.0"),
    ]
    times = [[float(r["time [s]"]) for r in rows_of(tmp_path / "out" / i["file"])] for i in index]
    assert times[0] == [frame / 1000.0 for frame in range(7, 37)]
    assert times[1] == [0.9 + 0.002 * n for n in range(11)]


def test_a_record_that_is_written_in_pieces_is_one_file(long, tmp_path):
    exported(long, tmp_path / "out", what=("full-rate",))
    assert differing(tmp_path / "out", long / "run.h5") == []
    index = rows_of(tmp_path / "out" / "full_rate.csv")
    assert [int(row["frames"]) for row in index] == [PIECE + 10, 7]
    times = [float(row["time [s]"]) for row in rows_of(tmp_path / "out" / index[0]["file"])]
    assert times == [frame / 1000.0 for frame in range(1000, 1010 + PIECE)]


def test_the_files_of_the_run_are_there_as_they_were_written(run, tmp_path):
    exported(run, tmp_path / "out", what=())
    texts = header().texts
    assert (tmp_path / "out" / "protocol.toml").read_text("utf-8") == texts["protocol"]
    assert (tmp_path / "out" / "rig.toml").read_text("utf-8") == texts["rig"]
    assert not (tmp_path / "out" / "specimen.toml").exists()
    told = {row["name"]: row["value"] for row in rows_of(tmp_path / "out" / "run.csv")}
    assert told["outcome"] == "run-out"
    assert told["seed"] == str(2**70)
    assert told["title"] == "Plank 7, Übung"
    assert (told["rate"], told["cycles"], told["ended_time"]) == ("1000.0", "12", "50.0")


def test_no_text_is_a_formula_for_a_spreadsheet_nor_obeyed_by_a_terminal(run, tmp_path):
    exported(run, tmp_path / "out", what=("events",))
    cells = [row["text"] for row in rows_of(tmp_path / "out" / "events.csv")][-len(NASTY) :]
    assert [cell[0] for cell in cells] == ["'", "'", "'", "\\"]
    assert not any(letter < " " and letter not in "\n\t" for cell in cells for letter in cell)


def test_every_flag_is_explained():
    assert {str(flag.value) for flag in FLAGS} == set(json.loads(flag_meanings()))


def test_a_run_under_way_is_exported_as_far_as_it_is_recorded(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    record_everything(recorder)
    recorder.commit()
    written = exported(tmp_path / "run", tmp_path / "out")
    recorder.abandon()
    assert written.rows["cycles.csv"] == 5000
    told = {row["name"]: row["value"] for row in rows_of(tmp_path / "out" / "run.csv")}
    assert (told["outcome"], told["why"], told["ended_time"]) == ("", "not ended", "")


@pytest.mark.parametrize("kind", ["folder", "empty folder", "file", "link to nothing"])
def test_what_exists_stays_as_it_is(run, tmp_path, kind):
    out = tmp_path / "out"
    match kind:
        case "folder":
            out.mkdir()
            (out / "mine.txt").write_text("mine")
        case "empty folder":
            out.mkdir()
        case "file":
            out.write_text("mine")
        case _:
            out.symlink_to(tmp_path / "nowhere")
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(InputError, match="out: "):
        exported(run, out, what=())
    assert sorted(tmp_path.rglob("*")) == before


def test_of_a_damaged_run_nothing_half_written_stays(run, tmp_path):
    damaged = bytearray((run / "run.h5").read_bytes())
    for place in range(len(damaged) // 3, len(damaged), 500):
        damaged[place] ^= 0xFF
    (tmp_path / "run.h5").write_bytes(damaged)
    with pytest.raises(StorageError, match=r"run\.h5: "):
        exported(tmp_path / "run.h5", tmp_path / "out")
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]


def told_by(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["export", *words])
    said = capsys.readouterr()
    return left.value.code, said.out, said.err


def test_the_command_prints_one_object_or_lines_for_people(run, tmp_path, capsys):
    code, out, _ = told_by(capsys, str(run), "--out", str(tmp_path / "a"), "--json")
    told = json.loads(out)
    assert code == 0
    assert told["folder"] == str(tmp_path / "a")
    assert told["rows"]["cycles.csv"] == 5300
    assert all(os.path.isfile(tmp_path / "a" / name) for name in told["files"])
    words = (str(run), "--out", str(tmp_path / "b"), "--what", "Cycles, full_rate", "--units")
    code, out, _ = told_by(capsys, *words, "kN,mm")
    assert code == 0
    assert "5,300 in cycles.csv" in out
    assert {p.name for p in (tmp_path / "b").iterdir()} == {
        *("run.csv", "protocol.toml", "rig.toml", "cycles.csv"),
        *("full_rate.csv", "full_rate", "dictionary.csv"),
    }


def test_a_disk_that_takes_no_more_is_one_line_and_leaves_nothing(run, tmp_path, capsys):
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, before[1]))
    try:
        code, out, err = told_by(capsys, str(run), "--out", str(tmp_path / "out"))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert (code, out) == (6, "")
    assert "out: cannot write the export: File too large; the disk is full" in err.splitlines()[-1]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--what", "cycle"), "--what: there is no 'cycle' (did you mean cycles?)"),
        (("--what", ","), "--what: names nothing; leave it out for everything"),
        (("--units", "kN,mn"), '--units: "mn" is unknown; did you mean min?'),
        (("--units", "kN mm"), '--units: "kN mm": separate units by commas'),
    ],
)
def test_a_slip_is_one_line_and_writes_nothing(run, tmp_path, capsys, words, said):
    code, out, err = told_by(capsys, str(run), "--out", str(tmp_path / "out"), *words)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(said)
    assert list(tmp_path.iterdir()) == []


def test_units_are_known_by_the_signs_that_people_write():
    assert chosen_units("kN,µm,°C,MΩ") == chosen_units("kN,um,degC,MOhm")


def test_what_is_no_run_is_named(tmp_path, capsys):
    code, _, err = told_by(capsys, str(tmp_path), "--out", str(tmp_path / "out"))
    assert code == 2
    assert err.startswith(f"{tmp_path}: is no run")
