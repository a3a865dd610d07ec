"""Temperature: what is learned of it, what it may hide, and that nothing changes without it."""

import numpy as np
import pytest

from rig.criteria.warmth import MOST_STIFFNESS
from tests.criteria.beam import Beam, armed
from tests.criteria.table import judge_all
from tests.criteria.test_agreement import of

DAY = 86400.0
RATE = 5.0
"""Cycles a second."""
STEPS = 10
"""So many cycles stand for one, so that a day is 43,200 rows."""


def night(soft=1.0, swing=6.0, per_kelvin=0.0, post=0.0, hours=20.0, seed=1):
    """Return rows of a beam through a night: `post` [m/K] at mid-span, stiffness per K."""
    n = round(hours * 3600 * RATE / STEPS)
    air = 290 + swing / 2 * np.sin(2 * np.pi * np.arange(n) * STEPS / RATE / DAY)
    warmer = air - np.median(air[:300])
    beam = Beam(n, soft=np.asarray(soft) / (1 + per_kelvin * warmer), seed=seed)
    for column in (beam.low, beam.high):
        column["midspan"] += post * warmer
        column["deflection"] += post * warmer
    beam.air = air
    return beam


def spread(rows):
    """Return rows whose cycles take as long as ten."""
    return rows.with_columns(time=rows["time"] * STEPS)


def judged(beam, **changes):
    return judge_all(armed(**changes), spread(beam.rows()))


def test_slopes_are_learned_beside_a_slow_trend():
    n = 36_000
    soft = np.linspace(1.0, 1.08, n)
    _, state = judged(night(soft, per_kelvin=-0.003, post=10e-6))
    stiffness, residual = state.warmth.slopes
    base = state.baseline.stiffness
    assert stiffness / base == pytest.approx(-0.003, rel=0.15)
    assert residual == pytest.approx(10e-6, rel=0.15)


def test_a_warm_night_is_no_growth_of_the_residual_deflection():
    cold = night(post=10e-6, swing=-12.0)
    findings, _ = judged(cold)
    assert of(findings, "residual-growth") == []
    cold.air = None
    assert of(judged(cold)[0], "residual-growth")


def test_nothing_is_learned_from_little_swing_or_few_hours():
    for beam in (night(swing=1.5, post=10e-6), night(hours=3.0, post=10e-6)):
        assert judged(beam)[1].warmth.slopes == (0.0, 0.0)


def test_no_more_is_allowed_for_than_materials_do():
    _, state = judged(night(per_kelvin=-0.02))
    most = MOST_STIFFNESS * state.baseline.stiffness
    assert state.warmth.slopes[0] == pytest.approx(-most, rel=1e-3)


@pytest.mark.parametrize("swing", [8.0, -8.0])
def test_a_loss_is_confirmed_within_a_hundredth_of_where_it_is_true(swing):
    # What is lost at the temperature of the baseline: little for 20 h, then evenly 48 % in 10 h.
    loss = np.interp(np.arange(54_000), [300, 36_000, 54_000], [0.0, 0.05, 0.48])
    soft = 1 / (1 - loss)
    findings, _ = judged(night(soft, per_kelvin=-0.003, swing=swing, post=10e-6, hours=30.0))
    failure = next(f for f in findings if f.action == "failure")
    assert loss[failure.cycle] == pytest.approx(0.40, abs=0.01)
    assert "as measured, without the temperature" in failure.text
    assert failure.evidence["as_measured"] != failure.evidence["stiffness"]


def test_without_a_temperature_nothing_changes():
    beam = night(np.linspace(1.0, 1.8, 36_000), per_kelvin=-0.003)
    unknown = np.full(beam.n, np.nan)
    beam.air = None
    without = judged(beam)
    beam.air = unknown
    nothing = judged(beam)
    assert nothing[0] == without[0]
    assert without[1].recent.shape[0] == nothing[1].recent.shape[0] == 3
