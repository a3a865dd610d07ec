"""The checks of the storm see what they are there for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rig.record import Recorder
from tests.endurance.case import Case, Kill
from tests.endurance.invariants import differences, kept, missing, unequal, unsound
from tests.endurance.memory import Course, Look, judged
from tests.endurance.report import Storm, text_of
from tests.record.runs import header, likely_rows, record_everything


@pytest.fixture(scope="module")
def ended(tmp_path_factory):
    """Return the folder of a test whose record is closed."""
    folder = tmp_path_factory.mktemp("runs") / "run"
    recorder = Recorder.create(folder, replace(header(), simulated=False))
    record_everything(recorder)
    recorder.finish("operator", "asked to stop", 5000, 60.0)
    return folder


@pytest.mark.xdist_group("ended")
def test_a_sound_record_misses_nothing_of_itself(ended):
    now = kept(ended)
    assert (now.state, now.outcome, now.cycles) == ("ended", "operator", 5000)
    assert missing(now, now) == unequal(now, now) == unsound(ended) == []


@pytest.mark.xdist_group("ended")
def test_what_is_lost_is_named(ended):
    now = kept(ended)
    events = {**now.entries, "events": now.entries["events"][:-1]}
    assert missing(now, replace(now, entries=events)) == [
        "events: an entry that was on the disk is missing or changed"
    ]
    assert "samples that were on the disk" in missing(now, replace(now, samples=[]))[0]
    short = {k: c[:-1] for k, c in now.rows["cycles"].items()}
    fewer = replace(now, rows={**now.rows, "cycles": short})
    assert missing(now, fewer) == ["cycles: of 5000 rows that stay some are missing"]
    assert unequal(now, fewer) == ["two copies: cycles have 5000 and 4999 rows"]


@pytest.mark.xdist_group("ended")
def test_one_bit_that_differs_is_named(ended):
    now = kept(ended)
    column = now.rows["cycles"]["stiffness"].copy()
    column[17] = np.nextafter(column[17], np.float32(np.inf))
    changed = {"cycles": {**now.rows["cycles"], "stiffness": column}}
    wrong = ["cycles/stiffness: the first 18 rows are not as they were"]
    assert differences(now.rows, changed, "cycles", 18) == wrong
    assert differences(now.rows, changed, "cycles", 17) == []


def test_a_folder_that_is_not_as_it_must_be_is_named(tmp_path):
    recorder = Recorder.create(tmp_path / "run", header())
    rows = likely_rows(1, 40)
    rows.columns["time"][20] = 0.0
    recorder.cycles(rows)
    for _ in range(2):
        recorder.inspection(1.0, 20, 2.0, "static check done; wait over")
        recorder.event(1.0, 20, "baseline", "baseline over 20 cycles")
    recorder.finish("operator", "asked to stop", 40, 60.0)
    (tmp_path / "run" / "run.h5.new").touch()
    assert unsound(tmp_path / "run") == [
        "/cycles/time does not rise",
        "left in the folder: run.h5.new",
        "inspections are in the record twice: at [20, 20]",
        "2 events 'baseline'",
    ]
    (tmp_path / "run" / "run.h5").write_bytes(b"no run file")
    assert "is damaged" in unsound(tmp_path / "run")[0]


def looks(resident, descriptors=17, threads=2):
    return tuple(Look(float(t), int(resident(t)), descriptors, threads) for t in range(30))


def course(seen):
    return Course(1000, 5, 2, 30.0, seen, 0.0, 30.0)


def test_memory_that_grows_and_a_descriptor_left_open_are_named():
    assert judged(course(looks(lambda _: 1e8)), []).wrong == ()
    growing = judged(course(looks(lambda t: 1e8 * (1 + t / 60))), [])
    assert [text.split(" from ")[0] for text in growing.wrong] == ["memory grows"]
    assert "reaches" in judged(course(looks(lambda _: 3.1e8)), []).wrong[0]
    open_ones = (*looks(lambda _: 1e8)[:-1], Look(29.0, 10**8, 18, 3))
    assert judged(course(open_ones), []).wrong == (
        "descriptors vary: 17 to 18",
        "threads vary: 2 to 3",
    )


def test_the_report_tells_what_was_done_and_what_did_not_hold():
    good = Case("rehearsals-killed", 7, [Kill("rehearsal", "cycling", 0.5)], resumes=1)
    good.outcome, good.cycles, good.undisturbed, good.lost = "failure", 26_300, 26_298, [25]
    bad = Case("real-time-killed", 8, [Kill("both", "waiting", 3.0)], outcome="run-out")
    bad.count("fault: spike", 2)
    bad.count("notes acknowledged", 4)
    bad.expect(False, "an acknowledged note is missing")
    text = text_of(Storm(5, [good, bad], None, 90.0))
    for line in (
        "seed          5",
        "              rehearsal 1: cycling 1",
        "              both: longest 3.0 s, mean 3.0 s",
        "life          at most 0.01% from that of the undisturbed test, in 1 tests",
        "faults        spike 2",
        "besides       notes acknowledged 4",
        "- real-time-killed 8: an acknowledged note is missing",
    ):
        assert line in text.splitlines()
    assert text_of(Storm(5, [good], None, 90.0)).endswith("\nEvery invariant held.\n")
