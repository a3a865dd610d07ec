"""Judging at its edges, and over a resume after every cycle. Counts are made by hand."""

import numpy as np
import pytest

from rig.samples import Flag
from tests.criteria.table import UPPER, K, armed, judge_all, rows_of


def told(setup, rows, kind):
    return [(f.action, f.cycle) for f in judge_all(setup, rows)[0] if f.kind == kind]


def stiffness_of(*parts):
    """Return stiffness [N/m] from pairs of a share and the cycles it lasts."""
    return K * np.concatenate([np.full(cycles, share) for share, cycles in parts])


def test_a_loss_is_confirmed_by_more_than_half_of_just_the_cycles_asked_for():
    rows = rows_of(stiffness_of((1.0, 150), (0.1, 50)))
    # Five of nine are low at the fifth; the median of eight would be (1.0 + 0.1) / 2 at the fourth.
    assert told(armed(loss_confirm=9), rows, "stiffness-loss") == [("warn", 155), ("failure", 155)]


def test_what_was_lost_before_the_baseline_is_lost_against_the_first_hundred_cycles():
    setup = armed(baseline_first=210, baseline_last=250)
    rows = rows_of(stiffness_of((1.0, 100), (0.8, 200)))
    assert told(setup, rows, "early-loss") == [("note", 250)]
    assert told(setup, rows_of(stiffness_of((0.8, 100), (1.0, 200))), "early-loss") == []


@pytest.mark.parametrize(("between", "pauses"), [(19, True), (20, False)])
def test_a_step_counts_over_its_cycles_and_not_over_one_more(between, pauses):
    # Medians of 5: the last high one 2 cycles into the plateau, the first low one 3 cycles after
    # it: `between` + 1 cycles apart, and 20 are allowed. Each half of the fall is too small alone.
    rows = rows_of(stiffness_of((1.0, 100), (0.97, between), (0.94, 100)))
    assert bool(told(armed(step_pause=0.05, step_within=20), rows, "stiffness-step")) is pauses


def test_a_step_within_the_baseline_is_settling():
    rows = rows_of(stiffness_of((1.0, 35), (0.9, 100)))
    assert told(armed(step_pause=0.05), rows, "stiffness-step") == []


@pytest.mark.parametrize(("share", "short"), [(0.952, False), (0.948, True)])
def test_a_load_is_short_by_a_share_of_the_upper_load_not_of_the_range(share, short):
    load = np.full(200, UPPER)
    load[150:] = share * UPPER
    rows = rows_of(np.full(200, K), load_max=load)
    expected = [("fault", 155)] if short else []
    assert told(armed(short_stop=0.05), rows, "load-short") == expected


@pytest.mark.parametrize(("left", "action"), [(0.78, "failure"), (0.83, "fault")])
def test_without_a_warning_level_a_fifth_lost_makes_a_short_load_the_specimens(left, action):
    # Lost slowly, so that the cycles just before the shortfall are as soft. Common practice.
    fall = K * np.concatenate((np.ones(40), np.linspace(1, left, 200), np.full(160, left)))
    load = np.full(400, UPPER)
    load[350:] = 0.90 * UPPER
    setup = armed(short_stop=0.05, loss_warn=None)
    assert told(setup, rows_of(fall, load_max=load), "load-short") == [(action, 355)]


def eventful():
    """Return rows in which everything happens that is judged, a setup, and the kinds found."""
    n = 420
    falling = np.linspace(0.75, 0.40, 120)
    stiffness = np.concatenate((stiffness_of((1.0, 110), (0.8, 80), (0.75, 110)), K * falling))
    load, flags = np.full(n, UPPER), np.zeros(n, np.uint16)
    load[[50, 51, 150, 250]] = UPPER * np.array([1.03, 1.03, 1.06, 1.03])
    load[[200, 201, 202, 203]] = load[270:276] = 0.90 * UPPER
    flags[[131, 132, 320]] = Flag.LONG_GAP
    residual = 1e-4 * np.linspace(1, 2.5, n)
    rows = rows_of(stiffness, flags=flags, load_max=load, deflection_min=residual)
    setup = armed(
        baseline_first=115,
        baseline_last=140,
        loss_confirm=21,
        step_pause=0.05,
        residual_warn=0.5,
        short_stop=0.05,
        run_out=415,
    )
    kinds = {"baseline", "early-loss", "stiffness-loss", "stiffness-step"}
    return rows, setup, kinds | {"residual-growth", "load-short", "overload", "run-out"}


def test_a_resume_after_every_cycle_changes_no_finding_and_no_counter():
    rows, setup, kinds = eventful()
    whole, state = judge_all(setup, rows)
    assert {f.kind for f in whole} == kinds
    assert {"warn", "failure"} <= {f.action for f in whole if f.kind == "stiffness-loss"}
    cut, cut_state = judge_all(setup, rows, range(len(rows)))
    assert repr(cut) == repr(whole)
    assert repr(cut_state.to_plain()) == repr(state.to_plain())
