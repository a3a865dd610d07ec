"""Nights that are cut off and taken up again, for the tests of both."""

from __future__ import annotations

import numpy as np

from rig.record import Recorder, read_journal
from rig.samples import Cycles
from tests.control.conftest import COMMITS, SHORT_NIGHT
from tests.control.night import Accidents, Again, walk

BY = "P. Tester"
BASELINE = {
    **SHORT_NIGHT,
    r"(?s)\[baseline\].*?(?=^\[)": '[baseline]\nfrom = "20 cycles"\nto = "40 cycles"\n\n',
}
DONE = {
    *(("idle", c, "stopping") for c in ("verdict", "watchdog", "fault", "silent", "record")),
    ("starting", "finding", "unloaded"),
    ("approach", "finding", "pausing"),
    ("starting", "long dry", "re-wetting"),
    ("static", "finding", "pausing"),
    ("static", "go on", "inspection"),
}
"""The steps that only a test which was cut off takes: each is walked here."""


def cut_off(plan, folder, frame: int, **further):
    """Return a night that is cut off at a frame."""
    return walk(plan, folder, accidents=Accidents(cut=frame), commits=COMMITS, **further)


def taken_up(plan, folder, night, *, again=None, **further):
    """Return the night that goes on with it."""
    return walk(plan, folder, again=again or Again(night), commits=COMMITS, **further)


def table(night, kind: str = "cycles"):
    with read_journal(night.folder) as journal:
        return journal.columns(kind)


def exactly_as(whole, goes_on, known: int):
    """Return the rows of a night that went on: without a hole, the first ones as undisturbed."""
    rows = table(goes_on)
    assert rows["number"].tolist() == list(range(1, len(rows["number"]) + 1))
    for name, column in table(whole).items():
        np.testing.assert_array_equal(rows[name][:known], column[:known])
    return rows


def point_of(night):
    with read_journal(night.folder) as journal:
        return journal.restart_point


def listed(night, kind: str):
    with read_journal(night.folder) as journal:
        return journal.entries(kind)


def recorded_later(night, rows) -> None:
    """Write rows into a cut-off night's record that its restart point does not know of.

    As when a recorder commits by itself.
    """
    frames = np.zeros(len(rows["number"]), np.int64)
    with read_journal(night.folder) as journal:
        header = journal.header
    recorder = Recorder.reopen(night.folder, header)
    recorder.cycles(Cycles(rows, frames, frames, frames))
    recorder.commit()
    recorder.abandon()
