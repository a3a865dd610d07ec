"""Bond stress over slip, its work and the slip of a work."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.bond_laws import TRANSMISSION, ConstantBond, FibBond, ribbed, transmission


@st.composite
def laws(draw: st.DrawFn) -> ConstantBond | FibBond:
    tau = draw(st.floats(0.1e6, 20e6))
    if draw(st.booleans()):
        return ConstantBond(tau)
    s1, level, fall = (draw(st.floats(1e-5, 5e-3)) for _ in range(3))
    alpha, rest = draw(st.floats(0.0, 0.9)), draw(st.floats(0.05, 1.0))
    return FibBond(tau, s1, alpha, rest * tau, s1 + level, s1 + level + fall)


def test_ribbed_bars_have_the_curve_of_the_model_code():
    """fib Model Code 2010, table 6.1-1, pull-out, good bond (from memory): 2.5 sqrt(f) at 1 mm."""
    law = ribbed(36e6)
    slips = np.array([0.0, 0.1e-3, 1e-3, 1.5e-3, 2e-3, 6e-3, 10e-3, 50e-3])
    wanted = [0.0, 15 * 0.1**0.4, 15.0, 15.0, 15.0, 10.5, 6.0, 6.0]
    assert law.stress(slips) / 1e6 == pytest.approx(wanted, rel=1e-12)


def test_strand_at_release_has_the_bond_of_the_eurocode():
    """EN 1992-1-1, 8.10.2.2 (from memory): 3.2 times the tensile strength."""
    assert transmission(2.5e6).stress(1e-6) == pytest.approx(8.0e6)
    assert transmission(2.0e6, "indented wire").peak == pytest.approx(5.4e6)
    assert set(TRANSMISSION) == {"strand", "indented wire"}


@given(laws(), st.floats(1e-7, 0.02))
def test_work_is_the_integral_of_the_stress(law: ConstantBond | FibBond, slip: float):
    x = (np.arange(40_000) + 0.5) / 40_000
    # Squared steps: the stress may rise like a root.
    summed = float((law.stress(slip * x**2) * 2 * x).mean() * slip)
    assert law.work(np.array([slip]))[0] == pytest.approx(summed, rel=1e-4)


@given(laws(), st.floats(0.0, 0.02))
def test_the_slip_of_a_work_takes_that_work(law: ConstantBond | FibBond, slip: float):
    back = law.slip_of(law.work(np.array([slip])))[0]
    assert back == pytest.approx(slip, rel=1e-6, abs=1e-12)


@given(laws(), st.floats(0.0, 0.02))
def test_a_law_is_odd_and_nowhere_above_its_peak(law: ConstantBond | FibBond, slip: float):
    assert law.stress(-slip) == -law.stress(slip)
    assert law.stress(slip) <= law.peak * (1 + 1e-12)
    assert law.stress(law.full) == pytest.approx(law.peak if law.full else 0.0)


def test_bond_without_friction_lets_a_tendon_go():
    law = FibBond(10e6, 1e-3, 0.4, 0.0, 2e-3, 3e-3)
    most = law.work(np.array([3e-3]))
    assert law.work(np.array([1.0])) == pytest.approx(most)
    assert law.slip_of(most * 1.01)[0] == np.inf


def test_a_peak_that_drops_at_once_keeps_its_work():
    law = FibBond(10e6, 1e-3, 0.4, 4e6, 1e-3, 1e-3)
    slips = np.array([1e-3, 2e-3])
    work = law.work(slips)
    assert work[1] - work[0] == pytest.approx(4e6 * 1e-3, rel=1e-6)
    assert law.slip_of(work) == pytest.approx(slips, rel=1e-6)
