"""Readings of cracks as notes in whole tests: written, refused, counted, and known after a cut."""

from __future__ import annotations

import math

import pytest

from rig.control.crack_log import CrackGiven
from rig.control.desk import Request
from rig.control.reception import CRACKS_A_MINUTE
from rig.record import read_journal
from rig.record.cracks import read_cracks
from tests.control.asking import BY, nights, said, table
from tests.control.taken import cut_off, listed, taken_up

FIRST = {"crack": "C1", "face": "front", "position": 0.4, "direction": "flexural", "width": 1e-4}


@pytest.fixture
def night(plan_of, tmp_path):
    return nights(plan_of, tmp_path)


def reading(text: str = "", corrects: int = 0, **values: object) -> Request:
    return said("note", text, crack=CrackGiven(values, corrects))


def log_of(folder):
    with read_journal(folder) as journal:
        return read_cracks(journal)


@pytest.mark.nights
def test_readings_at_an_inspection_are_in_the_record_and_its_events_and_hold_it(night, tmp_path):
    result = night(
        (112.0, reading("by lamp", **FIRST)),
        (113.0, reading(crack="C1", width=math.nan)),
        (114.0, reading(crack="C1", direction="longitudinal")),
        (115.0, reading(corrects=1, width=2e-4)),
        (400.0, said("continue")),
        (420.0, reading(crack="C1", width=3e-4)),
    )
    assert result.outcome == "run-out"
    first, unread, right, moving = log_of(tmp_path / "run")
    assert (first.number, first.cycle, first.by, first.text) == (1, 100, BY, "by lamp")
    assert first.time == pytest.approx(112.0, abs=0.1)
    assert math.isnan(unread.width)
    assert (right.kind, right.corrects, right.width) == ("correction", 1, 2e-4)
    events = table(result.run, "events")
    told = [text for *_, kind, text in events if kind == "crack"]
    assert told == [
        f"{BY}: entry 1: C1 front, 400 mm from the left support, flexural, 0.1 mm wide, length "
        "not read: by lamp",
        f"{BY}: entry 2: C1 front, width not read, length not read",
        f"{BY}: entry 3 corrects 1: C1 front, 400 mm from the left support, flexural, 0.2 mm "
        "wide, length not read: by lamp",
        f"{BY}: entry 4: C1 front, 0.3 mm wide, length not read; as read at cycle 100",
    ]
    # It was read when it stood; nobody is near it while it moves.
    assert (moving.cycle, [row[1] for row in events if row[2] == "crack"][3] > 100) == (100, True)
    assert any(text.startswith(f"locked, people: note by {BY}") for *_, text in events)
    assert len(table(result.run, "cracks")) == 4


@pytest.mark.nights
def test_a_map_that_is_pasted_has_room_and_a_program_run_wild_has_not(night, tmp_path):
    more = CRACKS_A_MINUTE + 10
    script = [
        (112.0 + n * 0.2, reading(crack=f"C{n}", face="front", position=0.4)) for n in range(more)
    ]
    result = night(*script, (400.0, said("continue")))
    assert len(log_of(tmp_path / "run")) == CRACKS_A_MINUTE
    refused = [text for *_, kind, text in table(result.run, "events") if "are too many" in text]
    assert refused[0] == (
        f"note by {BY} refused: {CRACKS_A_MINUTE} notes within a minute are too many; say it once "
        "more later"
    )


@pytest.mark.nights
def test_a_test_that_is_taken_up_knows_its_cracks(short_night, whole_night, tmp_path):
    at = whole_night.entered("cycling") + 300
    before = cut_off(short_night, tmp_path / "cut", at + 1000, script=((at, reading(**FIRST)),))
    assert [entry.number for entry in log_of(before.folder)] == [1]
    script = (
        (at + 60_000, reading(crack="C1", width=2e-4)),
        (at + 60_010, reading(crack="C1", face="front", position=0.1)),
    )
    goes_on = taken_up(short_night, tmp_path / "on", before, script=script)
    first, second = log_of(goes_on.folder)
    assert (first.number, first.crack, first.face, first.width) == (1, "C1", "front", 1e-4)
    assert (second.number, second.crack, second.face, second.width) == (2, "C1", "front", 2e-4)
    # It moved both times: what was read then was read when it stood.
    stood = {row[1] for row in listed(goes_on, "interruptions")}
    assert (first.cycle, second.cycle in stood) == (0, True)
    assert len([e for e in listed(goes_on, "events") if e[2] == "crack"]) == 2
