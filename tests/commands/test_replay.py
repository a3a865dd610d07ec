"""`nightrig replay`: what is printed, in which form, with which code; and what is refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import h5py
import pytest

from rig.replay.ranges import values_of
from tests.commands.cut_off import said_by, spoil
from tests.replay.made import CASES, kept, texts

pytestmark = pytest.mark.xdist_group("recordings")  # they share what was recorded


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return kept("loss 1", tmp_path_factory)


def test_it_says_how_the_test_ended_and_that_both_agree(run):
    said = said_by("replay", str(run))
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[0] == "Prism P-78, a short test"
    assert lines[1].startswith("  recorded  failure at cycle 282: stiffness ")
    assert lines[2] == lines[1].replace("recorded", "replayed")
    assert "confirmed at 282" in lines[3]
    assert any(line.startswith("  finding   cycle 60: baseline: ") for line in lines)
    assert (
        lines[-1] == "  agrees    recorded and replayed verdicts agree: outcome, cycle and findings"
    )


def test_one_object_holds_both_verdicts_and_the_findings(run):
    said = said_by("replay", str(run), "--json")
    told = json.loads(said.out)
    assert said.code == 0
    assert told["recorded"] == {"outcome": "failure", "cycles": 282, "residual": None}
    replayed = told["replayed"]
    names = {"outcome", "cycles", "why", "first_seen", "confirmed", "findings", "residual"}
    assert replayed.keys() == names
    assert (replayed["outcome"], replayed["cycles"], replayed["confirmed"]) == ("failure", 282, 282)
    assert all(finding.keys() == {"kind", "cycle", "text"} for finding in replayed["findings"])
    assert [f["kind"] for f in replayed["findings"]][-1] == "stiffness-loss"
    assert told["differences"] == []


def test_another_protocol_may_find_no_end_and_the_code_is_0(run, tmp_path):
    text = texts(CASES["loss 1"])[0].replace('stop = "30 %"', 'stop = "90 %"')
    (tmp_path / "mild.toml").write_text(text, encoding="utf-8")
    said = said_by("replay", str(run), "--protocol", str(tmp_path / "mild.toml"))
    assert said.code == 0
    assert "  replayed  no end at cycle 282: the recording ended with failure" in said.out
    assert "  differs   recorded is failure at cycle 282, replayed is no end" in said.out
    assert "failure.stiffness_loss.stop 30 % in the recording, 90 % here" in said.out
    told = json.loads(
        said_by("replay", str(run), "--protocol", str(tmp_path / "mild.toml"), "--json").out
    )
    assert told["replayed"]["outcome"] is None
    assert told["differences"]


@pytest.mark.parametrize(
    "plain", [pytest.param(True, marks=pytest.mark.nights), False], ids=["ascii", "utf-8"]
)
def test_what_if_prints_a_line_and_a_bar_for_each_value(run, tmp_path, plain):
    figure = tmp_path / "figure.svg"
    words = ["--vary", "failure.stiffness_loss=10 % .. 90 %", "--plot", str(figure)]
    said = said_by("replay", str(run), *words, *(["--ascii"] if plain else []))
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[1] == "  failure.stiffness_loss.stop"
    assert lines[2].split() == ["value", "outcome", "cycle"]
    rows = [line.split() for line in lines[3:12]]
    assert tuple(" ".join(row[:2]) for row in rows) == values_of("10 % .. 90 %")
    assert rows[2][2:4] == ["failure", "282"]
    bars = [len(row[-1]) for row in rows]
    assert bars[0] < bars[2]
    assert all(row[-1].endswith("X") for row in rows if row[2] == "failure")
    assert said.out.isascii() is plain
    assert "failure.stiffness_loss.stop" in figure.read_text(encoding="utf-8")
    assert "drawn in" in lines[-1]


def test_what_if_is_one_object_too_and_draws_png(run, tmp_path):
    figure = tmp_path / "figure.png"
    vary = ["--vary", "failure.stiffness_loss=12 %, 30 %", "--plot", str(figure), "--json"]
    told = json.loads(said_by("replay", str(run), *vary).out)
    assert told["key"] == "failure.stiffness_loss.stop"
    assert [v["value"] for v in told["values"]] == ["12 %", "30 %"]
    assert told["values"][1]["cycles"] == 282
    assert figure.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--vary", "failure"], "write KEY=RANGE"),
        (["--vary", "failure.stiffness_loss=ten"], "no number"),
        (["--vary", "failure.stiffness_loss=10 % - 50 %"], '"10 % .. 50 % in 5"'),
        (["--vary", "failure.stiffness_loss=10% to 50%"], '"10 % .. 50 % in 5"'),
        (["--vary", "failure.nonsense.at=1 % .. 2 %"], "protocol.toml:"),
        (["--vary", "failure.stiffness_loss=50 % .. 200 %"], "failure.stiffness_loss.stop"),
        (["--vary", "stage[9].run_out=1 .. 9 cycles"], "no such place"),
        (["--plot", "a.svg"], "--vary"),
        (["--vary", "failure.stiffness_loss=12 %", "--plot", "a.pdf"], "SVG or PNG"),
        (["--vary", "failure.stiffness_loss=12 %", "--plot", "no/a.png"], "no folder no"),
        (["--protocol", "no-such.toml"], "no such file"),
    ],
)
def test_bad_input_is_refused_in_one_line_each(run, words, said):
    told = said_by("replay", str(run), *words)
    assert told.code == 2
    assert said in told.err
    assert "Traceback" not in told.err
    assert told.out == ""


def test_what_is_no_run_is_refused(tmp_path):
    for path in (tmp_path, tmp_path / "none"):
        said = said_by("replay", str(path))
        assert said.code == 2
        assert str(path) in said.err


@pytest.mark.parametrize("command", ["replay", "export"])
def test_of_what_is_no_run_it_is_said_what_may_be_meant(run, tmp_path, command):
    shutil.copytree(run, tmp_path / "wet-1")
    (tmp_path / "note.txt").write_text("none")
    meant = {
        "wet1": "(did you mean wet-1?)",
        ".": "is no run but holds some; name one, such as",
        "wet-1/journal.db": f"is a file of a run; give the folder: {tmp_path / 'wet-1'}",
        "note.txt": "is no record of a run; name a run's folder or its run.h5",
    }
    out = ["--out", str(tmp_path / "out")] if command == "export" else []
    for name, says in meant.items():
        said = said_by(command, str(tmp_path / name), *out)
        assert said.code == 2
        assert says in said.err


def test_a_run_file_alone_that_lacks_a_file_says_what_to_name(run, tmp_path):
    protocol = texts(CASES["loss 1"])[0]
    assert 'capacity = "' in protocol
    lacking = Path(shutil.copy(run / "run.h5", tmp_path))
    with h5py.File(lacking, "r+") as file:
        line = next(s for s in protocol.splitlines() if s.startswith('capacity = "'))
        text = protocol.replace(line, 'capacity_from = "series/a.toml: dry"')
        del file["protocol"]
        file.create_dataset("protocol", data=text, dtype=h5py.string_dtype())
    for words in ([], ["--vary", "failure.stiffness_loss=10 %, 20 %"]):
        said = said_by("replay", str(lacking), *words)
        assert said.code == 2
        assert "series/a.toml" in said.err
        assert "name the run's folder with its journal, or a protocol" in said.err


def test_a_figure_does_not_take_the_place_of_a_file(run, tmp_path):
    figure = tmp_path / "photo.png"
    figure.write_bytes(b"a photo")
    vary = ["--vary", "failure.stiffness_loss=12 %", "--plot", str(figure)]
    said = said_by("replay", str(run), *vary)
    assert said.code == 2
    assert "already exists, nothing was drawn; name a new file" in said.err
    assert figure.read_bytes() == b"a photo"


def test_a_damaged_journal_is_named_as_elsewhere(run, tmp_path):
    copy = Path(shutil.copytree(run, tmp_path / "run"))
    journal = copy / "journal.db"
    spoil(journal, *range(20_000, journal.stat().st_size - 100, 4096))
    said = said_by("replay", str(copy))
    assert said.code == 6
    assert "the journal is damaged" in said.err
    assert "keep a copy of the folder before anything else" in said.err


def test_a_damaged_run_file_is_refused(run, tmp_path):
    shutil.copy(run / "run.h5", tmp_path / "run.h5")
    spoil(tmp_path / "run.h5", 0)
    said = said_by("replay", str(tmp_path / "run.h5"))
    assert said.code == 6
    assert str(tmp_path / "run.h5") in said.err
