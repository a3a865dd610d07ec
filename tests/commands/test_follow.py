"""Following a test whose screen cannot be shown."""

import subprocess

from rig.commands.follow import follow
from rig.commands.leaving import Leaving
from rig.commands.screen import Shown


def test_a_record_that_cannot_be_read_is_told_and_the_test_waited_for(tmp_path, capsys):
    with subprocess.Popen(["sleep", "0.3"]) as process, Leaving() as leaving:
        followed = follow(process, tmp_path, leaving, Shown())
        assert process.returncode == 0
    assert followed.problem is not None
    said = capsys.readouterr().err
    assert said.startswith("the screen cannot be shown, the test is waited for: ")
    assert "journal.db" in said
