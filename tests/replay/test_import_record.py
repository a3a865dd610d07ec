"""The record of an import: whole or not there, and what damage to its samples means."""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys

import h5py
import numpy as np
import pytest

from rig.errors import InputError, StorageError
from rig.record import damage_in_journal, read_journal, rebuild, salvage, trouble_in_run_file
from rig.record.staging import clear_remains, staged
from rig.replay.recording import open_recording
from tests.commands.cut_off import said_by
from tests.replay.tables import columns_in, imported, samples_in, series, text_of, write

SOME = 3_000_000  # bytes a file may have, too few for the samples


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    imported(write(folder, text_of(series())))
    return folder / "run"


@pytest.fixture
def run(whole, tmp_path):
    return shutil.copytree(whole, tmp_path / "run")


def damage_samples(run, name="load"):
    with h5py.File(run / "run.h5", "r") as file:
        place = file["full_rate"][name].id.get_chunk_info(0).byte_offset
    content = bytearray((run / "run.h5").read_bytes())
    content[place + 20] ^= 255
    (run / "run.h5").write_bytes(content)


def test_damaged_samples_are_told_in_words_and_the_rows_are_left(run, whole):
    damage_samples(run)
    assert "is damaged" in trouble_in_run_file(run)
    with pytest.raises(StorageError, match="samples of load are not as they were imported, and"):
        rebuild(run)
    assert damage_in_journal(run) == ()
    with open_recording(run) as recording:
        assert sum(len(rows) for rows in recording.rows()) == 79
        with pytest.raises(StorageError, match="the rows of cycles are whole in the journal"):
            list(recording.full_rate())


@pytest.mark.nights
def test_resume_makes_the_rows_again_and_keeps_what_is_left_of_the_samples(run, whole):
    damage_samples(run)
    damaged = (run / "run.h5").read_bytes()
    said = said_by("resume", str(run))
    assert said.code == 6
    assert "import the file once more" in said.err
    assert (run / "run.h5.damaged").read_bytes() == damaged
    assert trouble_in_run_file(run) == ""
    for name, column in columns_in(whole).items():
        np.testing.assert_array_equal(columns_in(run)[name], column)
    with open_recording(run) as recording:
        assert list(recording.full_rate()) == recording.stretches() == []
    again = said_by("resume", str(run))
    assert again.code == 0
    assert "its samples were lost" in again.err


def test_samples_that_were_changed_are_told_by_their_hash(run):
    with h5py.File(run / "run.h5", "r+") as file:
        file["full_rate"]["midspan"][100] = 0.5
    with read_journal(run) as journal, pytest.raises(StorageError, match="samples of midspan"):
        list(journal.full_rate())


@pytest.mark.nights
def test_a_run_file_that_is_damaged_elsewhere_is_made_again(run, whole):
    with h5py.File(run / "run.h5", "r+") as file:
        file.attrs["title"] = "another"
    assert trouble_in_run_file(run)
    assert said_by("resume", str(run)).code == 0
    assert trouble_in_run_file(run) == ""
    np.testing.assert_array_equal(samples_in(run)[0], samples_in(whole)[0])
    assert columns_in(run).keys() == columns_in(whole).keys()


@pytest.mark.nights
def test_a_run_file_that_is_gone_is_told(run):
    (run / "run.h5").unlink()
    assert "missing" in trouble_in_run_file(run)
    with pytest.raises(StorageError, match="kept nowhere else"):
        rebuild(run)
    assert said_by("resume", str(run)).code == 6
    assert trouble_in_run_file(run) == ""


def test_what_is_saved_of_a_damaged_journal_says_where_the_samples_are(run, tmp_path):
    saved = salvage(run, tmp_path / "saved.h5")
    assert saved.lost == ("stretches of samples: 1 is in run.h5 alone",)
    with h5py.File(tmp_path / "saved.h5") as file:
        assert b"run.h5 alone" in file["holes"]["words"][0]


def test_a_folder_gets_its_name_only_where_no_error_comes(tmp_path):
    def interrupted():
        with staged(tmp_path / "a") as (folder, hold):
            hold.close()
            (folder / "x").write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert list(tmp_path.iterdir()) == []


def test_two_that_make_one_folder_do_not_meet(tmp_path):
    with staged(tmp_path / "a") as (folder, hold):
        hold.close()
        with pytest.raises(InputError, match="just making it"), staged(tmp_path / "a"):
            pass
        clear_remains(tmp_path)
        assert folder.is_dir()
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


def test_a_folder_that_was_made_meanwhile_is_left_alone(tmp_path):
    def overtaken():
        with staged(tmp_path / "a") as (_, hold):
            hold.close()
            (tmp_path / "a").mkdir()

    with pytest.raises(InputError, match="already exists"):
        overtaken()
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


@pytest.mark.nights
def test_a_disk_without_room_ends_with_6_and_leaves_nothing(tmp_path):
    table = series(seconds=3000.0)
    rng = np.random.default_rng(1)
    table[:, 1:] += 1e-3 * rng.standard_normal((len(table), 3))
    path = write(tmp_path, text_of(table))
    command = [sys.executable, "-P", "-m", "rig.commands.main", "import", str(path)]
    said = subprocess.run(
        [*command, "--out", str(tmp_path / "a")],
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (SOME, SOME)),
    )
    assert said.returncode == 6
    assert "Traceback" not in said.stderr
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
