"""Made nights on the disk, and one that was read, for tests of handovers; a run for reports."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.clock import SystemClock
from rig.record.history import read_journal
from rig.report.handover import changes
from rig.report.handover.reading import Damage, read_run
from tests.report import handover_nights as nights
from tests.report import run_records
from tests.report.handover_nights import alive, at

ROOM = 84e9


@pytest.fixture(scope="session")
def sprayed_failure(tmp_path_factory) -> Path:
    """The folder of a sprayed test that failed, on the rig with every sensor; read it only."""
    return run_records.failed(tmp_path_factory.mktemp("failed") / "night-12")


@pytest.fixture(scope="module")
def seven_in_the_morning():
    """It is 07:02, and the disk has as much room on every machine."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(SystemClock, "utc", lambda _self: nights.NOW)
        patch.setattr(changes, "free_bytes", lambda _folder: ROOM)
        yield


@pytest.fixture(scope="module")
def written(tmp_path_factory, seven_in_the_morning) -> dict[str, Path]:
    """The nights on the disk, each once."""
    folder = tmp_path_factory.mktemp("nights")
    killed = nights.healthy()
    killed.until = at(23, 30)
    killed.events = [event for event in killed.events if event[0] < killed.until]
    made = {
        "healthy": nights.healthy(),
        "without water": nights.without_water(),
        "failed": nights.failed(),
        "killed": killed,
    }
    for name, night in made.items():
        recorder = night.write(folder / name)
        if name == "failed":
            recorder.finish("failure", nights.WHY, len(night.times()), night.until)
        else:
            recorder.abandon()
    return {name: folder / name for name in made}


@pytest.fixture(scope="module")
def reading(written):
    """A night that was read, and all its cycles by the journal's own reader."""
    read = read_run(written["without water"], alive, Damage())
    with read_journal(written["without water"]) as journal:
        return read, journal.columns("cycles")
