"""The parts of the measuring on what is made by hand: a wrong figure would hide a verdict."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from rig.assembly.events_file import kept_events
from rig.assembly.simulation import simulation_setup
from rig.record import Event
from simulators.lasting import median_life
from tests.judgement import drawing, pool
from tests.judgement.carrying import Record, program, recorded
from tests.judgement.causes import named_by, named_by_end
from tests.judgement.drawing import ENDS, LIVES, MEDIAN_LIFE, WET_SHARE
from tests.judgement.figures import cause_figures, failing_figures, healthy_figures
from tests.judgement.kinds import ENDING, KINDS
from tests.judgement.made import failed, happened, record
from tests.judgement.measuring import Measured
from tests.judgement.report import failing_rows, healthy_rows, table
from tests.judgement.setting import NIGHT, plan_of
from tests.truth import State, Truth


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    """Return the plan of a night."""
    return plan_of(tmp_path_factory.mktemp("plan"), run_out=NIGHT, life_scale=1.0)


def causes_of(night, plan) -> list[tuple[str, str, float]]:
    return [(h.what, h.cause, h.begin) for h in kept_events(night.events, plan).happenings]


def test_a_night_is_drawn_from_its_seed_alone():
    assert drawing.healthy(3) == drawing.healthy(3)
    assert drawing.healthy(3).events != drawing.healthy(4).events
    assert drawing.healthy(3).life_scale > 0


def test_healthy_nights_are_disturbed_by_what_breaks_no_specimen(plan):
    seen = set()
    for seed in range(30):
        found = causes_of(drawing.healthy(seed), plan)
        assert 1 <= len(found) <= 5
        assert len({what for what, _, _ in found}) == len(found)
        # A crack that opens and then is stable is of the specimen, and breaks it not.
        assert {what for what, cause, _ in found if cause == "specimen"} <= {"crack"}
        for what, _, begin in found:
            assert begin < NIGHT / drawing.FREQUENCY + 500
            assert what not in ENDING or begin > 0.8 * NIGHT / drawing.FREQUENCY
        seen |= {what for what, _, _ in found}
    assert len(seen) > 20


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_each_kind_alone_is_one_event_that_an_events_file_may_hold(plan, kind):
    for seed in range(5):
        ((what, _, begin),) = causes_of(drawing.alone(kind, seed), plan)
        assert what == kind
        assert 1000 < begin < 3000
    assert causes_of(drawing.alone("none", 1), plan) == []


@pytest.mark.nights  # how many wires there are takes tables of wear
def test_members_fail_in_every_way_within_the_lives_that_are_asked_for(plan):
    for seed in range(20):
        night = drawing.failing(seed)
        assert night.kind == ENDS[seed % len(ENDS)]
        found = causes_of(night, plan)
        ends = [begin for what, _, begin in found if what in ENDS]
        assert len(ends) == (0 if night.kind.startswith("worn") else 1)
        assert len(found) - len(ends) in (1, 2)
        for begin in ends:
            assert begin < 500 + LIVES[1] / drawing.FREQUENCY


@pytest.mark.nights
def test_the_median_life_is_that_of_the_simulated_specimen(plan):
    assert median_life(simulation_setup(plan), WET_SHARE) == pytest.approx(MEDIAN_LIFE, rel=1e-3)


STATES = [
    State(0, 0.0, 0, False, 105e6, 100e6, False),
    State(1, 500.0, 10, True, 105e6, 100e6, False),
    State(2, 6000.0, 20_000, True, 62e6, 61e6, False),
    State(3, 6100.0, 20_400, True, 62e6, 59.9e6, False),
    State(4, 6200.0, 20_800, True, 62e6, 57.9e6, False),
]
EVENTS = [
    Event(1500.0, 4000, "water", "spraying begins"),
    Event(
        5000.0, 18_000, "sensor", "channel in doubt: midspan is noisy, and the load is not: look"
    ),
    Event(6150.0, 20_600, "state", "stopping, verdict: stiffness is 40.1% below"),
]


def made(states=STATES, outcome="failure", why="stiffness is 40.1% below the baseline") -> Record:
    number = np.arange(1, 20_601)
    columns = {
        "number": number,
        "time": 500.0 + number / 4,
        "load_max": np.full(len(number), 92e3),
        "load_min": np.full(len(number), 9e3),
    }
    result = SimpleNamespace(outcome=outcome, why=why, cycles=20_600, test_s=6170.0)
    night = drawing.failing(0)
    return recorded(night, result, EVENTS, columns, Truth((), tuple(states)))


def test_a_record_tells_verdict_and_truth():
    found = made()
    assert (found.stopped, found.stop_cause, found.end_named) == (6150.0, "verdict", "specimen")
    assert (found.crossed, found.beyond, found.broken) == (6100.0, 6200.0, None)
    assert found.lost == pytest.approx(1 - 59.9 / 100)
    assert found.crossing == pytest.approx([1 - 61 / 100, 1 - 59.9 / 100])
    assert [n[:3] for n in found.named] == [[5000.0, "sensor", "sensor"]]
    assert found.second == 0
    assert Record.of(found.plain()) == found


def test_cycles_onto_a_broken_specimen_are_counted_from_the_truth():
    broken = State(5, 5640.0, 20_560, True, math.nan, math.nan, True)
    found = made([*STATES[:2], broken])
    assert found.broken == 5640.0
    assert found.lost == 1.0
    # Of the cycles up to 5650 s those that began after the break.
    assert found.second == 40


def test_healthy_figures_count_what_was_stopped_as_failure():
    wrong = record(name="healthy 2", outcome="failure", stopped=3600.0, lost=0.05)
    gone = record(name="healthy 3", outcome="failure", crossed=40_000.0, stopped=40_050.0)
    warm = [happened("daily-temperature", "nothing")]
    idle = record(name="healthy 4", outcome="fault", stopped=1800.0, truth=warm)
    leak = record(name="healthy 5", outcome="fault", truth=[*warm, happened("leak", "water")])
    late = record(
        name="healthy 6", outcome="fault", stopped=60.0, truth=[happened("leak", "water")]
    )
    found = healthy_figures([record(), wrong, gone, idle, leak, late])
    assert (found.nights, found.whole) == (5, 1)
    assert found.false == ("healthy 2",)
    assert found.spoiled == ("healthy 3",)
    assert found.groundless == ("healthy 2", "healthy 4", "healthy 6")
    assert found.hours == pytest.approx(12 + 1 + 0.5 + 12 + 1 / 60)
    (first, _) = healthy_rows(found)
    assert first[1].startswith("1 of 5 ")


def test_failing_figures_tell_missed_early_late_and_second_cycles():
    slow = {"crossed": 6000.0, "beyond": 6200.0}
    members = [
        failed("slow-end", 1, 6050.0, lost=0.405, **slow),
        failed("slow-end", 2, 6249.0, lost=0.43, **slow),
        failed("slow-end", 3, 6251.0, lost=0.44, **slow),  # too late
        failed("worn", 4, 3000.0, lost=0.37),  # too early, and of one that never failed
        failed("brittle-end", 5, 5000.05, broken=5000.0, lost=1.0),
        failed("wires", 6, 5010.1, broken=5000.0, lost=1.0, second=3),  # too late
        record(name="worn 7", kind="worn", outcome="run-out", **slow),  # missed
        record(name="wires 8", kind="wires", outcome="fault", broken=5000.0),  # missed
        record(name="wires 9", kind="wires"),  # whole
        # Caught before it was beyond: nothing is asked of when.
        failed("worn", 10, 6020.0, lost=0.40, crossed=6000.0),
    ]
    found = failing_figures(members)
    assert found.members == 9
    assert found.missed == ("slow-end 3", "wires 6", "worn 7", "wires 8")
    assert found.early == ("worn 4",)
    assert found.whole == ("wires 9",)
    assert found.off == pytest.approx((0.005, 0.03, 0.04, 0.03, 0.0))
    assert found.ms == pytest.approx((50.0, 10_100.0))
    assert found.second == 3
    text = table(failing_rows(found))
    assert "| 4 of 9 | 0 of 300 |" in text
    assert "worst 10100 ms = 40.40 cycles of 2 |" in text


def test_one_that_was_ended_as_it_crossed_is_neither_caught_nor_missed():
    plain = {"kind": "worn", "outcome": "limit", "crossed": 6000.0}
    members = [
        record(name="within", stopped=6012.4, **plain),
        record(name="after", stopped=6012.6, **plain),
        record(name="beyond", stopped=6005.0, beyond=6004.0, **plain),
        record(name="broken", stopped=6005.0, broken=6004.9, **plain),
    ]
    found = failing_figures(members)
    assert found.cut == ("within",)
    assert found.missed == ("after", "beyond", "broken")
    assert (found.members, found.whole) == (3, ())


def test_a_crossing_at_once_counts_from_after_it_and_is_told():
    slow = {"crossed": 6000.0, "beyond": 6200.0}
    smooth = failed("slow-end", 1, 6050.0, lost=0.405, crossing=[0.399, 0.4005], **slow)
    leapt = failed("slow-end", 2, 6050.0, lost=0.432, crossing=[0.394, 0.428], **slow)
    # Called a failure before the truth had crossed: held against the limit, not what came later.
    soon = failed("slow-end", 3, 5900.0, lost=0.394, crossing=[0.394, 0.428], **slow)
    found = failing_figures([smooth, leapt, soon])
    assert found.off == pytest.approx((0.005, 0.004, 0.006))
    assert found.leapt == (("slow-end 2", 0.394, 0.428, 0.432),)
    text = table(failing_rows(found))
    assert "worst 0.60 % of 3" in text
    assert "slow-end 2 crossed at once, counted from after it | from 39.4% to 42.8%, conf" in text


def test_cause_figures_hold_what_was_named_against_the_truth():
    moved, warm = [happened("moved", "sensor")], [happened("daily-temperature", "nothing")]
    told = [[1600.0, "sensor", "sensor", "midspan moved"]]
    tests = [
        record(name="a", truth=moved, named=told),
        record(name="b", truth=moved),
        record(name="c", truth=moved, named=told, end_named="specimen"),
        record(name="d", truth=warm),
        record(name="e", truth=warm, named=told),
        record(name="f", kind="alone: gaps", truth=[happened("gaps", "sensor")]),
        record(name="g", kind="alone: gaps", truth=[happened("gaps", "sensor")], end_named="rig"),
    ]
    found = cause_figures(tests)
    assert (found.right, found.of) == (3, 7)
    assert found.share == pytest.approx(3 / 7)
    assert {name for name, _, _ in found.wrong} == {"b", "c", "e", "g"}
    assert found.table["sensor", "nothing"] == 2
    assert found.table["nothing", "sensor"] == 1
    lines = found.lines()
    assert lines[0].split()[0] == "nothing"
    assert next(x for x in lines if x.startswith("sensor")).split()[1:3] == ["2", "1"]
    with pytest.raises(ValueError, match="at most one"):
        cause_figures([record(truth=[*moved, *warm])])


WORDS = [
    ("sensor", "channel in doubt: midspan is noisy, and the load is not: look at it", "sensor"),
    ("sensor", "channel in doubt: load is noisy, and net deflection is not: look", "load"),
    ("sensor", "support_left has no valid value for 900 samples in a row", "sensor"),
    ("conflict", "stiffness 60 kN/mm is 45% below; midspan is in doubt; look", "sensor"),
    ("conflict", "all that moves has changed together: the load cell is in doubt", "load"),
    ("support", "support_left and midspan moved at once: settlement", "support"),
    ("uneven-load", "the load range differs from cycle to cycle", "rig"),
    ("water", "spray period missed: 0.10 L/min instead of 1.50 L/min", "water"),
    ("water", "spraying begins", None),
    ("water", "water: 5,760 s wet, 144 L, no period missed", None),
    ("stiffness-loss", "stiffness 80 kN/mm is 21% below", "specimen"),
    ("residual-growth", "net deflection at lower load has grown 50%", None),
    ("static", "check 1: stiffness 101.42 kN/mm", None),
]
"""Words of the program, and the cause that they name."""


@pytest.mark.parametrize(("kind", "text", "cause"), WORDS)
def test_what_an_event_names(kind, text, cause):
    assert named_by(Event(1.0, 1, kind, text)) == cause


ENDINGS = [
    ("run-out", "verdict", "no failure in 172,800 cycles", None),
    ("failure", "limit", "net deflection per load 2 times the baseline", "specimen"),
    ("fault", "feedback", "load stays the same for 125 samples while cycling", "load"),
    ("fault", "fault", "upper load short in 5 cycles in a row; the rig is at fault", "rig"),
    ("fault", "leak", "water found where none may be", "water"),
    ("fault", "fault", "spray period missed: 0; two periods missed in a row", "water"),
    ("fault", "fault", "midspan stays the same for 125 samples while cycling", "sensor"),
    ("limit", "limit", "deflection 9 mm; deflection jumped: look at its sensors", "sensor"),
    ("limit", "limit", "deflection 9 mm is above 8 mm for 3 samples in a row", "unnamed"),
]
"""Ends of tests, and the cause that they name."""


@pytest.mark.parametrize(("outcome", "cause", "why", "named"), ENDINGS)
def test_what_an_end_names(outcome, cause, why, named):
    assert named_by_end(outcome, cause, why) == named


def test_records_are_kept_and_those_of_another_program_are_not_taken(tmp_path):
    night, other = drawing.healthy(1), drawing.healthy(2)
    here = record(program=program())
    lines = [
        pool.json.dumps(here.plain()),
        pool.json.dumps(record(name=other.name, seed=2, program="another").plain()),
        '{"name": "healthy 3", "ki',
    ]
    path = tmp_path / "r.jsonl"
    path.write_text("\n".join(lines), encoding="utf-8")
    assert list(pool.kept(path)) == ["healthy 1"]
    found = pool.carried_out([night, night], path)
    assert [r.name for r in found] == ["healthy 1", "healthy 1"]
    assert path.read_text(encoding="utf-8") == "\n".join(lines)


def test_what_must_be_and_is_not_is_lacking():
    found = Measured()
    found.must(True, "held")
    found.must(False, "not held")
    assert found.lacking == ["not held"]
