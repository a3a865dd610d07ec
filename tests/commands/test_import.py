"""`nightrig import` as it is typed: what it says, its codes, and what the run shows afterwards."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time

import pytest

from rig.commands.main import COMMANDS
from rig.record import trouble_in_run_file
from tests.commands.cut_off import said_by
from tests.replay.broken_tables import row
from tests.replay.tables import columns_in, series, text_of, write

TEXT = text_of(series())


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Return what was said where a good file was imported, and the run's folder."""
    folder = tmp_path_factory.mktemp("typed")
    path = write(folder, TEXT.replace("\n1.00000,", "\n1.00500,", 1))
    said = said_by("import", str(path), "--out", str(folder / "night-0"))
    return said, folder / "night-0"


def test_people_are_told_what_was_found_and_how_to_go_on(run):
    said, folder = run
    assert said.code == 0
    lines = [line.strip() for line in said.out.splitlines()]
    assert lines[0] == "table.csv imported"
    assert "read      4,000 samples at 200 Hz, 20 s" in lines
    assert (
        "channels  load 7.5 to 92.5 kN, midspan 0.2 to 1.8 mm, support_left 0.05 to 0.15 mm"
        in lines
    )
    assert "beware    1 row left out, repeated, first row 203" in lines
    assert "cycles    79 counted" in lines
    assert f"record    {folder / 'run.h5'}" in lines
    assert f"go on     nightrig replay {folder} --protocol PROTOCOL" in lines


def test_what_was_counted_by_a_protocol_is_replayed_by_it(tmp_path):
    path, folder = write(tmp_path, TEXT), tmp_path / "a"
    said = said_by("import", str(path), "--out", str(folder), "--protocol", "overnight-wet-prism")
    assert (said.code, said.out.splitlines()[-1]) == (0, f"  go on     nightrig replay {folder}")
    assert said_by("replay", str(folder)).code == 0


def test_scripts_are_given_one_object(tmp_path):
    path = write(tmp_path, TEXT)
    said = said_by("import", str(path), "--out", str(tmp_path / "a"), "--json")
    told = json.loads(said.out)
    assert (told["run"], told["cycles"]) == (str(tmp_path / "a" / "run.h5"), 79)
    assert told["measured"]["load"] == [7500.0, 92500.0]
    assert (told["rows"], told["frames"], told["rate"]) == (4000, 4000, 200.0)
    assert (told["gaps"]["count"], told["repeated"], told["left_out"]) == (
        0,
        {"count": 0, "rows": []},
        [],
    )


def test_values_that_are_missing_and_a_load_without_cycles_are_told(tmp_path):
    lines = TEXT.splitlines()
    lines[40] = lines[40].replace(",", ",99999", 1)
    lines[50:60] = [line.rpartition(",")[0] + "," for line in lines[50:60]]
    said = said_by("import", str(write(tmp_path, "\n".join(lines))), "--out", str(tmp_path / "a"))
    told = [line.strip() for line in said.out.splitlines()]
    assert "note      support_left: 10 of 4,000 values are missing" in told
    assert any(line.startswith("note      no cycle was counted: none is as large") for line in told)
    assert "cycles    0 counted" in told


def test_a_broken_file_ends_with_2_and_one_line(tmp_path):
    path = write(tmp_path, row(30, "0.28,fifty,1"))
    said = said_by("import", str(path), "--out", str(tmp_path / "a"), "--json")
    assert said.code == 2
    assert said.err.splitlines()[-1].startswith(f'{path}:30: column "load [kN]": "fifty" is no')
    assert json.loads(said.out)["problems"][0]["line"] == 30
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--rate", "fast"), "--rate"),
        (("--rate", "-1 Hz"), "not above zero"),
        (("--decimal", "dot"), "--decimal"),
        (("--protocol", "none.toml"), "none.toml"),
    ],
)
def test_words_that_mean_nothing_are_refused_before_anything_is_read(words, says, tmp_path):
    path = write(tmp_path, TEXT)
    said = said_by("import", str(path), "--out", str(tmp_path / "a"), *words)
    assert said.code == 2
    assert says in said.err
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_a_folder_that_exists_is_refused(run, tmp_path):
    path = write(tmp_path, TEXT)
    said = said_by("import", str(path), "--out", str(run[1]))
    assert said.code == 2
    assert "already exists" in said.err


def test_a_file_that_is_not_there_is_named(tmp_path):
    said = said_by("import", str(tmp_path / "no.csv"), "--out", str(tmp_path / "a"), "--json")
    assert said.code == 2
    assert f"{tmp_path / 'no.csv'}: cannot be read: no such file" in said.err
    assert json.loads(said.out)["outcome"] is None


def test_the_run_is_shown_as_imported(run):
    folder = str(run[1])
    shown = said_by("watch", "--once", folder)
    assert "IMPORTED" in shown.out
    assert "nightrig replay" in shown.out
    told = json.loads(said_by("watch", "--once", "--json", folder).out)
    assert (told["outcome"], told["running"]) == (None, False)
    again = said_by("resume", folder, "--json")
    assert again.code == 0
    assert "nothing to go on with" in again.err
    assert json.loads(again.out)["outcome"] is None
    assert said_by("watch", folder, "--json").code == 0
    assert "is no test but imported from table.csv" in said_by("stop", folder).err


def test_cycles_of_a_protocol_are_counted_after_its_build_up(tmp_path):
    table = series(seconds=30.0)
    grown = (table[:, 0] / 10).clip(0.0, 1.0)
    for column, mean in ((1, 50.0), (2, 1.0), (3, 0.1)):
        table[:, column] = mean + grown * (table[:, column] - mean)
    path = write(tmp_path, text_of(table))
    out = tmp_path / "a"
    said = said_by(
        "import", str(path), "--out", str(out), "--json", "--protocol", "overnight-wet-prism"
    )
    told = json.loads(said.out)
    # 95 % of the range of 83.16 kN is reached at 0.93 of 85 kN, after 9.3 s.
    assert told["built_up"] == pytest.approx(37, abs=2)
    # The first few move too little to be told.
    assert told["built_up"] + told["cycles"] == pytest.approx(118, abs=2)
    rows = columns_in(out)
    assert rows["number"].tolist() == list(range(1, told["cycles"] + 1))
    assert columns_in(out, "build_up")["load_max"].max() < 92.5e3


def test_import_is_listed_and_has_help():
    assert "import" in COMMANDS
    assert "Example: nightrig import" in said_by("import", "--help").out


@pytest.mark.nights
@pytest.mark.parametrize("seed", range(6))
def test_a_kill_leaves_nothing_under_the_name_and_the_next_import_clears_the_rest(seed, tmp_path):
    path = write(tmp_path, text_of(series(seconds=600.0)))
    out = tmp_path / "night-0"
    command = [sys.executable, "-P", "-m", "rig.commands.main", "import", str(path), "--out"]
    child = subprocess.Popen(
        [*command, str(out)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    hidden = tmp_path / ".night-0.nightrig-import"
    while child.poll() is None and not hidden.exists():
        time.sleep(0.005)
    time.sleep(seed * 0.15)
    child.send_signal(signal.SIGKILL)
    child.wait()
    if out.exists():
        assert trouble_in_run_file(out) == ""
        return
    assert [p.name for p in tmp_path.iterdir() if p.name != path.name] == [hidden.name]
    small = write(tmp_path, TEXT, "small.csv")
    assert said_by("import", str(small), "--out", str(tmp_path / "other")).code == 0
    assert not hidden.exists()
    assert trouble_in_run_file(tmp_path / "other") == ""
    assert os.listdir(tmp_path / "other")
