"""Requests: answered, recorded, acted on at their frame, as many as there are."""

from __future__ import annotations

import itertools

import h5py
import pytest

from rig.assembly import rehearse
from rig.control.desk import MOST_WAITING, Desk
from tests.control.asking import BY, nights, said, table


@pytest.fixture
def night(plan_of, tmp_path):
    return nights(plan_of, tmp_path)


@pytest.mark.nights
def test_a_pause_keeps_the_count_and_the_run_out_stays_exact(night):
    result = night((65.0, said("pause", "look at the noise")), (80.0, said("continue")))
    assert (result.outcome, result.cycles) == ("run-out", 200)
    with h5py.File(result.run) as file:
        numbers = file["cycles/number"][:]
    assert numbers[:200].tolist() == list(range(1, 201))
    (interruption, inspection) = table(result.run, "interruptions")
    assert 65.0 <= interruption[0] < 65.1
    assert interruption[2] == pytest.approx(80.0 + 5.0 - 65.0, abs=0.1)  # the horn sounds 5 s
    for word in ("pause", BY, "look at the noise", "kN held"):
        assert word in interruption[3]
    assert "inspection" in inspection[3]


def test_requests_and_their_answers_are_in_the_record(night):
    result = night(
        (65.0, said("continue")),
        (66.0, said("note", "crack at the left load point, 0.1 mm")),
        (67.0, said("pause")),
        (75.0, said("stop", "enough for today")),
    )
    assert result.outcome == "operator"
    assert BY in result.why
    assert "enough for today" in result.why
    told = [(kind, text) for _, _, kind, text in table(result.run, "events")]
    assert ("note", f"{BY}: crack at the left load point, 0.1 mm") in told
    requests = [text for kind, text in told if kind == "request"]
    assert requests[0].startswith(f"continue by {BY} refused: not while cycling; possible now")
    assert requests[1:] == [f"pause by {BY}", f"stop by {BY}: enough for today"]


@pytest.mark.nights
def test_a_storm_of_requests_is_answered_and_harms_nothing(night):
    verbs = ("pause", "continue", "note", "unload", "confirm", "pause")
    storm = tuple(
        (60.0 + i * 0.037, said(verbs[i % len(verbs)], f"number {i}")) for i in range(600)
    )
    result = night(*storm, (400.0, said("continue")), (460.0, said("continue")))
    assert (result.outcome, result.cycles) == ("run-out", 200)
    with h5py.File(result.run) as file:
        numbers = file["cycles/number"][:]
    assert numbers.tolist() == list(range(1, len(numbers) + 1))


@pytest.mark.endurance
def test_a_storm_of_refusals_is_told_without_filling_the_record(night):
    storm = tuple((60.0 + i * 0.01, said("continue", f"{i}")) for i in range(3000))
    result = night(*storm)
    assert result.outcome == "run-out"
    refused = [t for _, _, k, t in table(result.run, "events") if k == "request"]
    assert 20 <= len(refused) <= 45
    assert any("other refusals" in text for text in refused) or len(refused) <= 21


@pytest.mark.nights
def test_a_long_record_of_the_stop_is_kept_in_pieces_without_a_hole(night):
    result = night(changes={r"^before_stop = .*$": 'before_stop = "60 min"'})
    with h5py.File(result.run) as file:
        index = file["full_rate/index"][:]
        load = file["full_rate/load"][:]
    rows = [row for row in index if row["label"] == b"stop"]
    frames = sum(int(row["frames"]) for row in rows)
    assert int(rows[0]["first_frame"]) + frames == round(result.test_s * 1000)
    for before, after in itertools.pairwise(rows):
        assert before["first_frame"] + before["frames"] == after["first_frame"]
    assert len(load) >= frames


@pytest.mark.endurance
def test_a_pause_acts_at_the_same_frame_however_long_the_blocks_are(plan_of, tmp_path):
    quicker = {r'^at = \["150 cycles"\]$': 'at = ["90 cycles"]'}
    quicker |= {
        r"^run_out = .*$": 'run_out = "110 cycles"',
        r"^go_on_after = .*$": 'go_on_after = "5 s"',
    }
    plan = plan_of("first-night", quicker)
    asked = {65.0: "pause", 66.0: "continue", 84.5: "pause", 95.0: "unload", 110.0: "continue"}
    asked |= {111.0: "pause", 140.0: "continue"}
    script = tuple((time, said(verb)) for time, verb in asked.items())
    long, short = (
        rehearse(plan, tmp_path / str(tick), 1, script=script, one_tick=tick)
        for tick in (False, True)
    )
    assert table(long.run, "events") == table(short.run, "events")
    assert table(long.run, "interruptions") == table(short.run, "interruptions")
    assert (long.outcome, long.cycles) == ("run-out", 110)


@pytest.mark.nights
def test_a_script_that_ends_in_a_pause_ends_the_rehearsal(night):
    result = night((65.0, said("unload")))
    assert result.outcome == "operator"
    assert "nobody is left" in result.why


async def test_a_desk_refuses_what_is_too_much_and_what_comes_after_the_end():
    desk = Desk()
    answers = [desk.ask(said("note")) for _ in range(MOST_WAITING + 5)]
    assert [a.done() for a in answers].count(True) == 5
    assert "too many" in answers[-1].result().text
    desk.close("the test has ended")
    assert all(a.done() for a in answers)
    late = desk.ask(said("pause"))
    assert late.done()
    assert not late.result().done
