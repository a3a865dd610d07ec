"""The outcome after a limit, on stretches of samples whose truth is known."""

import numpy as np
import pytest

from rig.criteria.outcome import OutcomeSetup, after_limit

UPPER, LOWER, RATE = 20e3, 2e3, 200.0
SOFT = 1e-3 / UPPER  # m/N
SETUP = OutcomeSetup(UPPER, RATE, SOFT, 0.40)
TRIP = "deflection 0.0021 m is above its limit 0.002 m for 3 samples in a row"


def cycling(cycles=4):
    """Return load of a healthy specimen at 5 Hz, ending at a load maximum."""
    phase = np.arange(cycles * 40) * 2 * np.pi / 40
    return (UPPER + LOWER) / 2 + (UPPER - LOWER) / 2 * np.cos(phase)


def name(load, bent, at, setup=SETUP, text=TRIP):
    return after_limit(setup, text, load.astype(np.float32), bent.astype(np.float32), at)


def collapse():
    """Return a beam that breaks: load falls to nothing, deflection grows to three times."""
    load, bent = cycling(), SOFT * cycling()
    load = np.concatenate((load, np.geomspace(load[-1], 50.0, 40), np.full(100, 50.0)))
    bent = np.concatenate((bent, np.linspace(bent[-1], 3e-3, 40), np.full(100, 3e-3)))
    return load, bent


def test_a_collapse_is_a_failure_that_names_the_limit():
    outcome, why = name(*collapse(), at=180)
    assert outcome == "failure"
    assert TRIP in why


def test_a_collapse_before_the_baseline_shows_by_load_lost_while_deflection_grew():
    outcome, why = name(*collapse(), at=180, setup=OutcomeSetup(UPPER, RATE))
    assert outcome == "failure"
    assert "while net deflection grew" in why


@pytest.mark.parametrize(("growth", "outcome"), [(1.60, "limit"), (1.73, "failure")])
def test_gradual_softening_fails_beyond_the_inverse_of_what_is_left(growth, outcome):
    # 1/(1 - 0.40) = 1.667 times the deflection per load.
    load = cycling()
    assert name(load, growth * SOFT * load, at=150)[0] == outcome


def test_deflection_that_drifts_without_swinging_further_is_a_limit():
    load = cycling()
    settled = OutcomeSetup(UPPER, RATE, SOFT, 0.40, SOFT * (UPPER - LOWER))
    drifting = SOFT * load + np.linspace(0.5e-3, 1.1e-3, len(load))
    outcome, why = name(load, drifting, at=150, setup=settled)
    assert outcome == "limit"
    assert "swings too little further" in why
    assert name(load, 1.73 * SOFT * load, at=150, setup=settled)[0] == "failure"
    assert name(*collapse(), at=180, setup=settled)[0] == "failure"


BREADTH = OutcomeSetup(UPPER, RATE, SOFT, 0.40, SOFT * (UPPER - LOWER))


def broken(to, frames, rest=0.2):
    """Return a beam that breaks at once, as a loose limit sees it: it bends on under what is left.

    Its deflection goes on evenly to `to` [m] in so many samples; noise is 0.5 % of the upper load.
    """
    noise = np.random.default_rng(1).normal(0.0, 0.005 * UPPER, frames)
    load = np.concatenate((cycling(), rest * UPPER + noise))
    bent = SOFT * cycling()
    return load, np.concatenate((bent, np.linspace(bent[-1] + 1e-3, to, frames)))


@pytest.mark.parametrize("begin", [0, 120, 170, 200])
def test_a_specimen_that_bends_on_under_a_steady_rest_of_load_has_failed(begin):
    # Whether its break is among the samples, or was before the first of them.
    load, bent = broken(8e-3, 120)
    assert name(load[begin:], bent[begin:], at=260 - begin, setup=BREADTH)[0] == "failure"


@pytest.mark.parametrize("to", [3e-3, 8e-3, 30e-3])
@pytest.mark.parametrize("setup", [BREADTH, OutcomeSetup(UPPER, RATE)])
def test_a_break_at_once_is_a_failure_however_far_it_bends_after_it(to, setup):
    load, bent = broken(to, 60)
    assert name(load, bent, at=200, setup=setup)[0] == "failure"


@pytest.mark.parametrize("setup", [BREADTH, OutcomeSetup(UPPER, RATE)])
def test_a_cell_that_jumps_while_the_specimen_goes_on_is_a_fault(setup):
    load = cycling(6)
    bent = SOFT * load
    load[158:] *= 0.4
    outcome, why = name(load, bent, at=165, setup=setup)
    assert outcome == "fault"
    assert "the load jumped while deflection went on" in why


@pytest.mark.parametrize(("rod", "outcome"), [(1.5e-3, "failure"), (0, "limit"), (np.nan, "limit")])
def test_a_deflection_that_leaps_is_the_specimens_only_where_the_rod_leaps_too(rod, outcome):
    load = cycling(6)
    bent, stroke = SOFT * load, 1.2 * SOFT * load
    bent[158:] += 1.5e-3
    stroke[158:] += rod
    columns = (x.astype(np.float32) for x in (load, bent))
    assert after_limit(BREADTH, TRIP, *columns, 165, stroke.astype(np.float32))[0] == outcome


@pytest.mark.parametrize(("loss", "outcome"), [(0.36, "limit"), (0.41, "failure")])
def test_a_midspan_that_slipped_makes_no_failure_of_a_smaller_loss(loss, outcome):
    load = cycling()
    bent = SOFT * load / (1 - loss) + 0.45e-3
    assert name(load, bent, at=150, setup=BREADTH)[0] == outcome


def test_a_midspan_at_its_end_over_a_support_that_slipped_is_a_limit():
    # Net deflection stands below zero and shows its top no more: that is no growth under less load.
    load = np.interp(np.arange(0, 160, 0.1), np.arange(160), cycling(4))
    bent = np.minimum(SOFT * load, 0.7 * SOFT * UPPER) - 0.71 * SOFT * UPPER
    # A little further where the load has fallen by a quarter already.
    falling = np.flatnonzero((load < 0.76 * UPPER) & (np.gradient(load) < 0))
    bent[falling[0] : falling[0] + 5] += 3e-6
    assert name(load, bent, at=len(load) - 100, setup=BREADTH)[0] == "limit"


def test_a_drift_while_the_load_is_held_is_a_limit():
    noise = np.random.default_rng(1).normal(0.0, 0.005 * UPPER, 160)
    drifting = np.linspace(2e-3, 2.2e-3, 160)
    assert name(LOWER + noise, drifting, at=120, setup=BREADTH)[0] == "limit"


def test_an_overload_of_a_healthy_specimen_is_a_limit():
    load = cycling()
    load = np.concatenate((load, np.linspace(load[-1], 1.06 * UPPER, 20), np.zeros(50)))
    text = "load 21200 N is above its limit 21000 N for 3 samples in a row"
    assert name(load, SOFT * load, at=179, text=text) == ("limit", text)


def test_an_overload_that_breaks_the_specimen_is_a_limit():
    load = cycling()
    load = np.concatenate((load, np.linspace(load[-1], 1.06 * UPPER, 20), np.zeros(50)))
    bent = SOFT * load
    bent[180:] = 4e-3
    assert name(load, bent, at=179)[0] == "limit"


def test_a_healthy_specimen_that_is_unloaded_is_a_limit():
    load = np.concatenate((cycling(), np.linspace(UPPER, 0, 200)))
    assert name(load, SOFT * load + 2e-5, at=165)[0] == "limit"


def test_a_wild_deflection_sample_does_not_make_a_failure():
    load = cycling()
    bent = SOFT * load
    bent[100:102] = 9e-3
    assert name(load, bent, at=159)[0] == "limit"


def test_lost_feedback_is_a_fault():
    load = cycling()
    bent = SOFT * load
    load[150:] = np.nan
    outcome, why = name(load, bent, at=152, text="load: no valid value for 3 samples in a row")
    assert outcome == "fault"
    assert "10 samples" in why


def test_a_short_gap_of_the_feedback_is_a_limit():
    load = cycling()
    bent = SOFT * load
    load[150:153] = np.nan
    assert name(load, bent, at=152)[0] == "limit"


def test_without_a_valid_sample_nothing_but_the_limit_speaks():
    nothing = np.full(20, np.nan)
    assert name(cycling()[:20], nothing, at=10) == ("limit", TRIP)


def test_a_broken_beam_on_which_the_rod_bounces_afterwards_has_failed():
    load, bent = collapse()
    load = np.concatenate((load, np.full(30, 1.1 * UPPER)))
    bent = np.concatenate((bent, np.full(30, 2e-3)))
    assert name(load, bent, at=180)[0] == "failure"


@pytest.mark.parametrize(("growth", "outcome"), [(1.01, "limit"), (1.10, "failure")])
def test_load_that_is_lost_while_deflection_stays_is_a_limit(growth, outcome):
    """Before the baseline: a load cell that creeps loses load, and the beam bends as before."""
    load, bent = cycling(), SOFT * cycling()
    slowly = np.clip((np.arange(len(load)) - 80) / 30, 0, 1)
    load *= 1 - 0.3 * slowly
    bent *= 1 + (growth - 1) * slowly
    assert name(load, bent, at=120, setup=OutcomeSetup(UPPER, RATE))[0] == outcome
