"""Criteria against truths known beforehand: ramps, steps and counts in closed form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.criteria.findings import CriteriaSetup, CriteriaState
from rig.criteria.judge import judge
from rig.criteria.medians import first_at_or_below
from rig.samples import Flag
from tests.criteria.table import LOWER, UPPER, K, armed, judge_all, rows_of


def kinds(found):
    return [(f.kind, f.action, f.cycle) for f in found]


def only(found, kind, action=None):
    return [f for f in found if f.kind == kind and action in (None, f.action)]


def test_the_baseline_is_the_median_over_its_cycles_and_told_at_the_last():
    rng = np.random.default_rng(3)
    stiffness = (K * (1 + 0.01 * rng.standard_normal(60))).astype(np.float32)
    found, state = judge_all(armed(), rows_of(stiffness))
    assert kinds(found) == [("baseline", "note", 40)]
    # Cycles 20 to 40, both included; numpy's median of the same numbers.
    assert found[0].evidence["stiffness"] == np.median(stiffness[19:40].astype(float))
    assert found[0].evidence["deflection_max"] == pytest.approx(1e-3)
    assert found[0].evidence["stroke_max"] == pytest.approx(3e-3)
    assert found[0].frame == 40 * 200 + 20
    assert state.baseline.stiffness == found[0].evidence["stiffness"]


def test_a_gap_through_the_whole_baseline_delays_it_to_the_first_judged_cycle():
    flags = np.zeros(60, np.uint16)
    flags[19:45] = Flag.LONG_GAP
    found, _ = judge_all(armed(), rows_of(np.full(60, K), flags=flags))
    assert kinds(found) == [("baseline", "note", 46)]


@pytest.mark.parametrize("confirm", [1, 10, 51, 100])
def test_a_linear_loss_is_confirmed_half_a_median_after_it_crosses(confirm):
    # Closed form: the median of the last w values of a falling ramp is the ramp (w - 1)/2 cycles
    # earlier, so a crossing at cycle c is confirmed at the first cycle >= c + (w - 1)/2.
    crossing = 440
    stiffness = K * np.where(
        np.arange(1, 801) <= 40, 1.0, 1 - 0.40 * (np.arange(1, 801) - 40.5) / (crossing - 40.5)
    )
    found, _ = judge_all(armed(loss_confirm=confirm), rows_of(stiffness))
    failure = only(found, "stiffness-loss", "failure")[0]
    assert abs(failure.first_seen - crossing) <= 1
    assert abs(failure.cycle - (crossing + (confirm - 1) / 2)) <= 1.5
    assert failure.frame == failure.cycle * 200 + 20
    assert failure.evidence["loss"] == pytest.approx(0.40, abs=0.002)
    assert failure.evidence["limit"] == 0.40


def test_a_warning_comes_once_and_before_the_failure():
    stiffness = K * np.concatenate((np.ones(40), np.linspace(1, 0.5, 400)))
    found, _ = judge_all(armed(loss_confirm=10), rows_of(stiffness))
    assert [f.action for f in only(found, "stiffness-loss")] == ["warn", "failure"]


def test_confirm_above_100_is_judged_on_100_cycles():
    stiffness = K * np.concatenate((np.ones(140), np.full(200, 0.5)))
    found, _ = judge_all(armed(loss_confirm=100_000), rows_of(stiffness))
    # More than half of 100 cycles are low at the 51st; at the 50th the median is (1 + 0.5)/2.
    assert only(found, "stiffness-loss", "failure")[0].cycle == 140 + 51


def test_two_wild_cycles_are_no_failure_and_no_step():
    stiffness = np.full(300, K)
    stiffness[[100, 101, 200]] = 0.1 * K
    found, _ = judge_all(armed(loss_confirm=10, step_pause=0.05), rows_of(stiffness))
    assert kinds(found) == [("baseline", "note", 40)]


@settings(max_examples=80)
@given(
    st.lists(st.sampled_from([0.0, 1.0, 2.0, 3.0, 4.0]), min_size=1, max_size=40),
    st.integers(1, 9),
    st.integers(0, 40),
    st.sampled_from([0.5, 1.0, 1.5, 2.0, 2.5]),
)
def test_the_crossing_is_where_numpys_median_of_every_window_crosses(values, w, begin, limit):
    medians = [(i, float(np.median(values[i - w + 1 : i + 1]))) for i in range(w - 1, len(values))]
    expected = next((m for m in medians if m[0] >= begin and m[1] <= limit), None)
    assert first_at_or_below(np.array(values), begin, w, limit) == expected


def test_rows_with_a_long_gap_are_counted_but_not_judged():
    n = 200
    stiffness, flags = np.full(n, K), np.zeros(n, np.uint16)
    stiffness[100:] = 0.1 * K
    flags[100:] = Flag.LONG_GAP
    found, _ = judge_all(armed(loss_confirm=10, run_out=n), rows_of(stiffness, flags=flags))
    assert kinds(found) == [("baseline", "note", 40), ("run-out", "run-out", n)]


def test_rows_with_a_short_gap_are_judged():
    stiffness = K * np.concatenate((np.ones(100), np.full(100, 0.5)))
    rows = rows_of(stiffness, flags=Flag.GAP)
    assert only(judge_all(armed(loss_confirm=10), rows)[0], "stiffness-loss", "failure")


def test_creep_of_the_peak_deflection_at_constant_stiffness_is_no_finding():
    # Common practice, no source: under a mean load deflection grows by itself.
    n = 2000
    creep = 1e-3 * (1 + np.log10(np.arange(1, n + 1)))
    setup = armed(step_pause=0.05, short_stop=0.05)
    found, _ = judge_all(setup, rows_of(np.full(n, K), deflection_max=creep))
    assert kinds(found) == [("baseline", "note", 40)]


def test_residual_growth_warns_where_the_median_crosses():
    n, limit = 400, 0.5
    residual = 1e-4 * (1 + np.maximum(np.arange(1, n + 1) - 40, 0) / 200)
    found, _ = judge_all(
        armed(residual_warn=limit, loss_confirm=21), rows_of(np.full(n, K), deflection_min=residual)
    )
    warning = only(found, "residual-growth")[0]
    # 50 % is reached at cycle 40 + 100; the median of a ramp of 21 is 10 cycles late.
    assert warning.action == "warn"
    assert abs(warning.first_seen - 140) <= 1
    assert abs(warning.cycle - 150) <= 1


def test_more_than_15_percent_lost_before_the_baseline_is_noted():
    stiffness = K * np.concatenate((np.ones(19), np.full(60, 0.80)))
    setup = armed(baseline_first=30)
    assert not only(judge_all(setup, rows_of(stiffness))[0], "early-loss")  # half was low already
    stiffness = K * np.concatenate((np.ones(29), np.full(60, 0.80)))
    note = only(judge_all(setup, rows_of(stiffness))[0], "early-loss")[0]
    assert (note.action, note.cycle) == ("note", 40)
    assert note.evidence["loss"] == pytest.approx(0.20)


def test_a_step_pauses_within_three_cycles_and_the_next_step_pauses_again():
    stiffness = K * np.concatenate((np.ones(100), np.full(100, 0.93), np.full(100, 0.86)))
    found, _ = judge_all(armed(step_pause=0.05, step_within=20), rows_of(stiffness))
    # The median of 5 falls with the third low cycle.
    assert kinds(only(found, "stiffness-step")) == [
        ("stiffness-step", "pause", 103),
        ("stiffness-step", "pause", 203),
    ]
    assert [f.first_seen for f in only(found, "stiffness-step")] == [101, 201]


def test_load_short_of_a_specimen_long_weakened_is_a_failure():
    load = np.full(400, UPPER)
    load[350:] = 0.90 * UPPER
    stiffness = K * np.concatenate((np.ones(40), np.linspace(1, 0.75, 200), np.full(160, 0.75)))
    found, _ = judge_all(armed(short_stop=0.05), rows_of(stiffness, load_max=load))
    assert [f.action for f in only(found, "load-short")] == ["failure"]


@pytest.mark.parametrize(("cycles", "pauses"), [(15, True), (60, False)])
def test_the_same_drop_is_a_step_only_within_its_cycles(cycles, pauses):
    fall = np.linspace(1, 0.93, cycles)
    stiffness = K * np.concatenate((np.ones(100), fall, np.full(100, 0.93)))
    found, _ = judge_all(armed(step_pause=0.05, step_within=20), rows_of(stiffness))
    assert bool(only(found, "stiffness-step")) is pauses


def test_load_short_at_unchanged_stiffness_is_a_fault_of_the_rig():
    load = np.full(200, UPPER)
    load[100:104] = load[150:] = 0.94 * UPPER
    setup = armed(short_stop=0.05, short_confirm=5)
    found, _ = judge_all(setup, rows_of(np.full(200, K), load_max=load))
    short = only(found, "load-short")
    assert [(f.action, f.cycle, f.first_seen) for f in short] == [("fault", 155, 151)]
    assert short[0].evidence["short"] == pytest.approx(0.06, abs=1e-6)


def test_load_short_with_its_range_as_it_should_be_is_of_a_cell_that_drifted():
    loads = np.full(120, UPPER, np.float32)
    loads[100:] = 0.88 * UPPER
    rows = rows_of(np.full(120, K), load_max=loads)
    rows = rows.with_columns(load_min=(loads - (UPPER - LOWER)).astype(np.float32))
    findings, _ = judge_all(armed(short_stop=0.1), rows)
    (found,) = [f for f in findings if f.kind == "load-short"]
    assert found.action == "fault"
    assert "the load cell is in doubt, look at its zero" in found.text
    assert "the rig is at fault" not in found.text


def test_load_short_with_softening_is_a_failure():
    load, stiffness = np.full(200, UPPER), np.full(200, K)
    load[150:], stiffness[150:] = 0.90 * UPPER, 0.85 * K
    found, _ = judge_all(armed(short_stop=0.05), rows_of(stiffness, load_max=load))
    assert [(f.action, f.cycle) for f in only(found, "load-short")] == [("failure", 155)]


def test_a_brittle_end_is_found_with_the_third_cycle_of_five():
    stiffness = np.full(200, K)
    stiffness[150:] = 0.3 * K
    found, _ = judge_all(armed(loss_confirm=5), rows_of(stiffness))
    failure = only(found, "stiffness-loss", "failure")[0]
    assert (failure.first_seen, failure.cycle) == (151, 153)


def test_a_baseline_alone_never_fails_a_run_before_it_is_complete():
    stiffness = np.full(39, K)
    stiffness[10:] = 0.1 * K
    assert judge_all(armed(loss_confirm=5), rows_of(stiffness))[0] == []


def test_overloads_are_noted_by_stretch_and_the_first_above_105_percent_warns():
    load = np.full(100, UPPER)
    load[[9, 10, 20, 30, 40]] = UPPER * np.array([1.03, 1.03, 1.02, 1.06, 1.07])
    found, state = judge_all(armed(), rows_of(np.full(100, K), load_max=load))
    over = [(f.action, f.cycle, f.evidence["overloads"]) for f in only(found, "overload")]
    # 102 % itself is not above 102 %; float32 keeps 20400 N exactly.
    assert over == [("note", 10, 1), ("warn", 31, 3), ("note", 41, 4)]
    assert state.overloads == 4


def test_run_out_is_exact_and_comes_once():
    setup = armed(run_out=150)
    rows = rows_of(np.full(200, K))
    assert not only(judge_all(setup, rows.part(0, 149))[0], "run-out")
    found, _ = judge_all(setup, rows, cuts=range(200))
    assert kinds(only(found, "run-out")) == [("run-out", "run-out", 150)]


def test_a_failure_in_the_last_cycle_comes_before_its_run_out():
    stiffness = np.full(200, K)
    stiffness[150:] = 0.3 * K
    found, _ = judge_all(armed(loss_confirm=5, run_out=153), rows_of(stiffness))
    assert [f.action for f in found if f.cycle == 153] == ["warn", "failure", "run-out"]


def test_nothing_armed_finds_only_the_baseline():
    stiffness = K * np.linspace(1, 0.1, 300)
    setup = CriteriaSetup(UPPER, LOWER, 20, 40)
    assert kinds(judge_all(setup, rows_of(stiffness, load_max=100.0))[0]) == [
        ("baseline", "note", 40)
    ]


def test_judging_leaves_the_given_state_as_it_was():
    rows = rows_of(np.full(60, K))
    state, _ = judge(armed(), CriteriaState(), rows.part(0, 30))
    before = repr(state.to_plain())
    judge(armed(), state, rows.part(30, 60))
    assert repr(state.to_plain()) == before


@pytest.mark.nights
@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1), st.lists(st.integers(0, 400), max_size=25))
def test_findings_and_state_do_not_depend_on_how_rows_are_cut(seed, cuts):
    rng = np.random.default_rng(seed)
    n = 400
    loss = np.cumsum(rng.random(n) < 0.03) * rng.uniform(0.0, 0.08)
    stiffness = K * (np.maximum(1 - loss, 0.05) + 0.01 * rng.standard_normal(n))
    load = UPPER * (1 - 0.1 * (rng.random(n) < rng.uniform(0, 0.6)))
    load = np.where(rng.random(n) < 0.2, 1.03 * UPPER, load)
    load[rng.integers(0, n, 4)] *= 1.08
    flags = np.where(rng.random(n) < 0.05, int(Flag.LONG_GAP), 0)
    stiffness[flags != 0] = np.nan
    residual = 1e-4 * (1 + loss)
    rows = rows_of(stiffness, flags=flags, load_max=load, deflection_min=residual)
    setup = armed(
        loss_confirm=int(rng.integers(1, 130)),
        step_pause=0.05,
        step_within=int(rng.integers(1, 30)),
        residual_warn=0.3,
        short_stop=0.05,
        short_confirm=int(rng.integers(1, 8)),
        run_out=350,
    )
    whole, state = judge_all(setup, rows)
    for edges in (cuts, range(0, n, 7)):
        cut, cut_state = judge_all(setup, rows, edges)
        assert repr(cut) == repr(whole)
        assert repr(cut_state.to_plain()) == repr(state.to_plain())
