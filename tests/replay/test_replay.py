"""A recording judged again: the same verdict as recorded, another one by another protocol."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.commands.files import read_text
from rig.errors import InputError
from rig.protocol.plan import Plan
from rig.record import Event
from rig.replay import timeline
from rig.replay.by_rows import RowSetup, begin_rows, judge_rows, row_setup
from rig.replay.by_samples import SampleSetup, Watch
from rig.replay.judged import Replayed, agreement, differences, recorded, replay
from rig.replay.recording import open_recording
from rig.replay.stretches import Piece, part_of, pieces
from rig.samples import Cycles
from tests.replay.made import CASES, NO_SAMPLE_TELLS, made, texts
from tests.replay.made import kept as made_once

QUICK = ("loss 1", "deflection limit 1", "load flat", "run-out 1")
"""One of each kind of end; the others are a night's work."""
HERE = pytest.mark.xdist_group("recordings")  # they share what was recorded


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory):
    """Return a function: name of a case to the folder of its recording, made once."""
    return partial(made_once, folders=tmp_path_factory)


def verdict(it: Replayed) -> tuple[object, ...]:
    """Return all that must be the same."""
    return it.outcome, it.cycles, it.why, [(f.kind, f.cycle, f.text) for f in it.findings]


def replayed(run: Path, plan: Plan | None = None) -> Replayed:
    with open_recording(run) as recording:
        return replay(recording, plan or recording.plan())


def assert_replay_agrees(run: Path, name: str) -> None:
    with open_recording(run) as recording:
        plan = recording.plan()
        then, now = recorded(recording), replay(recording, plan)
        assert then.outcome is not None
        assert differences(recording, plan, then, now) == ()
        said = agreement(recording, now)
    assert now.unlike == ()
    if name in NO_SAMPLE_TELLS:
        assert now.outcome is None
        assert then.why in now.why
        assert "no sample tells" in said
        assert verdict(now)[3] == verdict(then)[3]
        assert now.cycles == then.cycles
    else:
        assert verdict(now) == verdict(then)
        assert "verdicts agree" in said


@HERE
@pytest.mark.parametrize("name", QUICK)
def test_a_replay_as_recorded_gives_what_was_recorded(kept, name):
    assert_replay_agrees(kept(name), name)


NIGHTLY = {
    *("run-out 2", "run-out, wet", "loss 2", "small loss 1", "deflection limit 2", "brittle 1"),
    *("before the baseline 1", "wet failure", "load saturated", "load missing", "load short"),
    *("mid-span flat", "ultimate", "no water", "stopped and resumed", "cut off and failed"),
}
"""One of each kind; what is like it is replayed in endurance."""


def one_more(name: str) -> object:
    """Give a case its tier: of those alike, or in real time, a few are enough for a night."""
    further = name not in NIGHTLY
    return pytest.param(name, marks=pytest.mark.endurance) if further else name


@pytest.mark.nights
@pytest.mark.timeout(180)
@pytest.mark.parametrize("name", [one_more(n) for n in CASES if n not in QUICK])
def test_each_of_fifty_runs_replays_as_it_was_recorded(tmp_path, name):
    assert_replay_agrees(made(tmp_path, CASES[name]), name)


def test_there_are_fifty_cases_of_every_outcome():
    assert len(CASES) >= 50
    assert CASES.keys() > NO_SAMPLE_TELLS


@HERE
def test_a_run_file_alone_replays_as_its_folder(kept):
    folder = replayed(kept("deflection limit 1"))
    assert replayed(kept("deflection limit 1") / "run.h5") == folder
    assert folder.found_again > 60


def other_plan(run: Path, tmp_path: Path, name: str, **changes: str) -> Plan:
    """Return the plan of a case's protocol with some changes of its text, on the recorded rig."""
    text = texts(CASES[name])[0]
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    (tmp_path / "other.toml").write_text(text, encoding="utf-8")
    with open_recording(run) as recording:
        return recording.plan_with(str(tmp_path / "other.toml"), read_text)


def told(run: Path, plan: Plan) -> tuple[Replayed, str]:
    """Return a replay and its differences in one text."""
    with open_recording(run) as recording:
        now = replay(recording, plan)
        return now, "\n".join(differences(recording, plan, recorded(recording), now))


@HERE
def test_a_milder_protocol_finds_no_end_and_says_which_value_is_another(kept, tmp_path):
    plan = other_plan(kept("loss 1"), tmp_path, "loss 1", loss=('stop = "30 %"', 'stop = "90 %"'))
    now, why = told(kept("loss 1"), plan)
    assert (now.outcome, now.cycles) == (None, 282)
    assert "by this protocol nothing in it ends the test" in now.why
    assert "failure.stiffness_loss.stop 30 % in the recording, 90 % here" in why


@HERE
def test_a_stricter_protocol_ends_earlier_by_the_rows_of_the_record(kept, tmp_path):
    run = kept("loss 1")
    plan = other_plan(run, tmp_path, "loss 1", loss=('stop = "30 %"', 'stop = "12 %"'))
    now, why = told(run, plan)
    with open_recording(run) as recording:
        rows = next(recording.rows())
    base = float(next(f.text.split()[5] for f in now.findings if f.kind == "baseline"))
    at = now.cycles - 1
    five = sorted(rows["stiffness"][at - 4 : at + 1] / 1e6)
    assert now.outcome == "failure"
    assert five[2] <= 0.88 * base < sorted(rows["stiffness"][at - 5 : at] / 1e6)[2]
    assert now.first_seen is not None
    assert now.first_seen <= now.confirmed == now.cycles
    assert "recorded is failure at cycle 282, replayed is failure" in why


@HERE
def test_a_narrower_limit_is_told_from_extremes_where_no_samples_are_kept(kept, tmp_path):
    run = kept("loss 1")
    limit = ('deflection = ["-0.5 mm", "9 mm"]', 'deflection = ["-0.5 mm", "0.81 mm"]')
    now, why = told(run, other_plan(run, tmp_path, "loss 1", limit=limit))
    with open_recording(run) as recording:
        rows = next(recording.rows())
    first = int((rows["deflection_max"] > 0.81e-3).argmax())
    assert (now.outcome, now.cycles) == ("limit", first + 1)
    assert "from the cycle's extremes: whether it lasted is not known" in now.why
    assert "limits.deflection -0.5 to 9 mm in the recording, -0.5 to 0.81 mm here" in why


@HERE
def test_a_narrower_limit_is_held_against_the_samples_where_they_are_kept(kept, tmp_path):
    run = kept("deflection limit 1")
    limit = ('deflection = ["-0.5 mm", "9 mm"]', 'deflection = ["-0.5 mm", "1.2 mm"]')
    now, _ = told(run, other_plan(run, tmp_path, "deflection limit 1", limit=limit))
    assert "3 samples in a row" in now.findings[-1].text
    assert now.cycles <= 147


@HERE
def test_the_limits_of_the_rig_file_are_not_those_of_a_replay(kept):
    with open_recording(kept("run-out 1")) as recording:
        plan = recording.plan()
        narrow = replace(plan, rig=replace(plan.rig, limits={"load": (0.0, 1.0)}))
        assert replay(recording, narrow).outcome == "run-out"


@HERE
def test_a_recording_whose_rows_go_on_behind_another_run_out_ends_there(kept, tmp_path):
    run = kept("run-out 1")
    count = ('run_out = "140 cycles"', 'run_out = "100 cycles"')
    now, _ = told(run, other_plan(run, tmp_path, "run-out 1", count=count))
    assert (now.outcome, now.cycles) == ("run-out", 100)


def test_what_is_no_recording_is_refused_in_one_line(tmp_path):
    for path in (tmp_path, tmp_path / "none"):
        with pytest.raises(InputError) as refused, open_recording(path):
            pass
        assert str(path) in str(refused.value)
        assert "\n" not in str(refused.value)


def test_a_timeline_knows_the_stops_that_were_survived():
    def state(time: float, cycle: int, text: str) -> Event:
        return Event(time, cycle, "state", text)

    line = timeline.timeline(
        [
            state(1.0, 0, "build-up, stage"),
            state(2.0, 1, "cycling, range reached: counts from cycle 1"),
            state(5.0, 30, "stopping, fault: load short"),
            state(6.0, 30, "stopped, stopped: fault"),
            state(9.0, 30, "starting, start: taken up again"),
            state(10.0, 31, "cycling, range reached: counts from cycle 31"),
            state(20.0, 99, "stopping, verdict: no failure"),
            state(21.0, 99, "stopped, stopped: run-out"),
        ],
        1000.0,
    )
    assert line.survived(4_985)
    assert not line.survived(19_985)
    assert line.end == 20_000
    assert line.span(10_000).state == "cycling"
    assert line.span(9_999).state == "starting"


# What is found does not depend on how rows and samples are cut.


def judged_in_parts(setup: RowSetup, rows: Cycles, cuts: list[int]) -> tuple[object, ...]:
    state = begin_rows(setup)
    edges = [0, *sorted(cuts), len(rows)]
    for start, stop in pairwise(edges):
        state = judge_rows(setup, state, rows.part(start, stop))
    return state.end, state.noted


@pytest.mark.nights
@HERE
@given(data=st.data())
@settings(max_examples=25)
def test_rows_cut_anywhere_are_judged_alike(kept, data):
    with open_recording(kept("loss 1")) as recording:
        by = recording.plan()
        rows = next(recording.rows())
        line = timeline.timeline(recording.events(), recording.rate)
    window = data.draw(st.tuples(st.integers(5, 60), st.integers(61, 150)), "baseline")
    top = data.draw(st.floats(2.9e-3, 4.5e-3), "limit on deflection")
    plan = replace(
        by,
        baseline=replace(by.baseline, first=window[0], last=window[1]),
        limits=replace(by.limits, fixed={"deflection": (-5e-4, top)}),
    )
    setup = row_setup(plan, 1000.0, line, by, ())
    cuts = data.draw(st.lists(st.integers(0, len(rows)), max_size=6), "cuts")
    assert judged_in_parts(setup, rows, cuts) == judged_in_parts(setup, rows, [])


@pytest.mark.nights
@HERE
@given(data=st.data())
@settings(max_examples=10)
def test_samples_cut_anywhere_are_judged_alike(kept, data):
    name = data.draw(st.sampled_from(("load flat", "deflection limit 1")))
    with open_recording(kept(name)) as recording:
        plan = recording.plan()
        line = timeline.timeline(recording.events(), recording.rate)
        whole = list(pieces(recording))
        rows = next(recording.rows())
    by_rows = row_setup(plan, 1000.0, line, plan, ())
    settled = judge_rows(by_rows, begin_rows(by_rows), rows).settled
    setup = SampleSetup(plan, 1000.0, line, lambda tick: tick, settled=settled)
    length = data.draw(st.integers(50, 3000), "longest block")
    ends = []
    for parts in (whole, cut_up(whole, length)):
        watch = Watch(setup)
        for piece in parts:
            watch.take(piece)
        seen = watch.close()
        ends.append((seen.end, seen.noted, sum(len(r) for s in seen.stretches for r in s)))
    assert ends[0] == ends[1]
    assert ends[0][0] is not None


def cut_up(whole: list[Piece], length: int) -> list[Piece]:
    """Return pieces of at most `length` frames."""
    return [
        Piece(part_of(piece.block, first, first + length), piece.new and first == piece.block.first)
        for piece in whole
        for first in range(piece.block.first, piece.block.end, length)
    ]
