"""Following a test whose screen cannot be shown, and a folder that cannot be seen."""

import subprocess
import tempfile
from pathlib import Path

from rig.commands.folders import place
from rig.commands.follow import follow
from rig.commands.leaving import Leaving
from rig.commands.screen import Shown
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
