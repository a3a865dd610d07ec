"""`nightrig note --moved`: asked from another terminal, answered once the sensor stands still."""

from __future__ import annotations

import click
import pytest

from rig.commands.note import note
from tests.assembly.nights import a_night, eventually


def test_a_reading_and_a_moved_sensor_are_two_notes():
    words = ["wet", "--moved", "midspan", "--catch-can", "1 L/min", "--face", "bottom"]
    with pytest.raises(click.UsageError, match="are two notes"):
        note.main(words, standalone_mode=False)


def test_a_moved_sensor_needs_a_text_that_says_why():
    with pytest.raises(click.UsageError, match="the text is missing"):
        note.main(["--moved", "midspan"], standalone_mode=False)


def refused(night) -> str:
    """Say that mid-span was moved, which is refused, and return what is answered."""
    same = night.nightrig("note", "night-1", "new foot", "--moved", "midspan")
    assert same.returncode == 2
    return " ".join(same.stdout.split())


@pytest.mark.endurance
@pytest.mark.xdist_group("serial")
def test_a_sensor_that_was_not_moved_is_told_so_and_keeps_its_curve(tmp_path):
    with a_night(tmp_path, run_out=100_000) as night:
        assert night.finished(night.order("--detach")).returncode == 0
        night.until_state("cycling")
        cycling = night.nightrig("note", "night-1", "new foot", "--moved", "midspan")
        assert cycling.returncode == 2
        assert cycling.stdout.startswith("refused: not while ")
        assert night.nightrig("pause", "night-1").returncode == 0
        night.until_state("paused")
        # It has stood still for some seconds first: else there is no reading from before.
        eventually(lambda: "as before: nothing is added" in refused(night), "the same reading")
        assert night.nightrig("stop").returncode == 0
        night.until_gone()
