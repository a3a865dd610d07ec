"""Following a test whose screen cannot be shown, and a folder that cannot be seen."""

import subprocess
import tempfile
from pathlib import Path

from rig.commands.ending import result_in
from rig.commands.folders import place
from rig.commands.follow import follow
from rig.commands.leaving import Leaving
from rig.commands.screen import Shown
from rig.record import Recorder
from tests.record.runs import header
from tests.record.test_readers import rights_of_an_ordinary_user


def test_a_record_that_cannot_be_read_is_told_and_the_test_waited_for(tmp_path, capsys):
    with subprocess.Popen(["sleep", "0.3"]) as process, Leaving() as leaving:
        followed = follow(process, tmp_path, leaving, Shown())
        assert process.returncode == 0
    assert followed.problem is not None
    said = capsys.readouterr().err
    assert said.startswith("the screen cannot be shown, the test is waited for: ")
    assert "journal.db" in said


def test_a_folder_that_may_not_be_entered_is_not_called_one_without_a_run():
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0)
        with rights_of_an_ordinary_user():
            found = place(Path(name))
        Path(name).chmod(0o700)
        assert place(Path(name)).kind == "none"
    assert found.kind == "damaged"
    assert found.text.endswith(f"; you may not enter {name}: ask its owner")


def test_a_test_that_went_on_after_a_full_disk_ends_as_it_ends_then(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    recorder.event(1.0, 5, "state", "stopping, record: the disk is full")
    recorder.event(2.0, 5, "state", "stopping, verdict: no failure in 10 cycles")
    recorder.finish("run-out", "no failure in 10 cycles", 10, 3.0)
    title, result = result_in(tmp_path / "run")
    assert (title, result.outcome) == (header().title, "run-out")
