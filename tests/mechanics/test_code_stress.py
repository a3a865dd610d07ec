"""Tendon stress at the ultimate moment by code formulas, worked by hand from their text."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.code_stress import (
    PSI,
    bonded_stress,
    by_code,
    held_by_code,
    ultimate_by_code,
    unbonded_stress,
    yield_stress,
)
from rig.mechanics.laws import KSI
from rig.mechanics.section import prestress, ultimate
from rig.mechanics.specimen import SteelLaw
from tests.mechanics.sections import R1, U1, ZERO, specimens

UNBONDED = "post-tensioned unbonded"
LOOSE = replace(U1, tendons=(replace(U1.tendons[0], bond=UNBONDED),))


@pytest.mark.parametrize(
    ("share", "factor"), [(0.95, 0.28), (0.90, 0.28), (0.87, 0.40), (0.85, 0.40), (0.82, 0.55)]
)
def test_a_bonded_tendon_by_aci_318(share, factor):
    """NAVFAC DM-2.08, eq. 143; factors of ACI 318-19: 270 ksi, 5000 psi, ratio .003, beta1 .80."""
    found = bonded_stress(270 * KSI, share * 270 * KSI, 5 * KSI, 0.003)
    assert found / KSI == pytest.approx(270 * (1 - factor / 0.80 * 0.003 * 270 / 5), rel=1e-12)


def test_a_steel_that_yields_early_has_no_factor():
    assert math.isnan(bonded_stress(1860e6, 0.79 * 1860e6, 40e6, 0.003))


@pytest.mark.parametrize(
    ("slenderness", "ratio", "psi"),
    [
        (20.0, 0.004, 160_000 + 10_000 + 5000 / 0.4),
        (35.0, 0.001, 160_000 + 60_000),
        (36.0, 0.004, 160_000 + 10_000 + 5000 / 1.2),
        (45.0, 0.0005, 160_000 + 30_000),
    ],
)
def test_an_unbonded_tendon_by_aci_318_in_psi(slenderness, ratio, psi):
    """NAVFAC DM-2.08, eq. 144 to 149: 10,000 + f'c/100 rho (300), 60,000 (30,000) at most."""
    found = unbonded_stress(160_000 * PSI, 240_000 * PSI, 5000 * PSI, ratio, slenderness, "psi")
    assert found / PSI == pytest.approx(psi, rel=1e-12)


@pytest.mark.parametrize(
    ("slenderness", "ratio", "mpa"),
    [
        (20.0, 0.004, 1100 + 70 + 40 / 0.4),
        (20.0, 0.0005, 1100 + 420),
        (40.0, 0.004, 1100 + 70 + 40 / 1.2),
        (40.0, 0.0005, 1100 + 210),
    ],
)
def test_an_unbonded_tendon_by_aci_318m_in_si(slenderness, ratio, mpa):
    """ACI 318M-19, table 20.3.2.4.1, from public notes: +70, +420 / +210 MPa."""
    found = unbonded_stress(1100e6, 1640e6, 40e6, ratio, slenderness)
    assert found == pytest.approx(mpa * 1e6, rel=1e-12)


def test_an_unbonded_tendon_does_not_pass_its_yield():
    assert unbonded_stress(1500e6, 1640e6, 40e6, 0.0005, 20.0) == 1640e6


@given(st.floats(0.9e9, 1.3e9), st.floats(25e6, 80e6), st.floats(1e-3, 1e-2), st.floats(10, 60))
def test_both_forms_of_the_code_differ_by_rounding_only(fse, concrete, ratio, slenderness):
    args = (fse, 1.7e9, concrete, ratio, slenderness)
    assert unbonded_stress(*args) == pytest.approx(unbonded_stress(*args, "psi"), abs=8e6)


def test_yield_is_that_of_the_law_or_at_one_percent():
    power = SteelLaw("power", preset="strand-270")
    tendon = replace(U1.tendons[0], law=power, modulus=28500 * KSI)
    assert yield_stress(tendon) == pytest.approx(243.0397 * KSI, rel=1e-6)
    assert yield_stress(U1.tendons[0]) == 1640e6


def test_u1_without_bond_by_the_code():
    """Ratio 400 / (200 x 190), f'c 50: 1100 + 70 + 47.5 = 1217.5 MPa; from -M to M by hand."""
    (held,) = held_by_code(LOOSE)
    assert held == pytest.approx(1217.5e6, rel=1e-9)
    end = ultimate_by_code(LOOSE)
    assert end.tendon_stress == (held,)
    # The parabola-rectangle is full to 17/21 of c and acts at 99/238 of it (e2 = .002, ecu .0035).
    pull = 400e-6 * 1217.5e6
    c = pull / (50e6 * 0.2 * 17 / 21)
    assert end.neutral_axis == pytest.approx(c, rel=1e-9)
    assert end.moment == pytest.approx(pull * (0.190 - 99 / 238 * c), rel=1e-9)


def test_no_tendon_without_bond_is_told_beyond_its_yield_stress():
    """1600 MPa and 117.5 more would pass the 1640 MPa at which it yields, not the 1860 it bears."""
    tight = replace(LOOSE, tendons=(replace(LOOSE.tendons[0], stress=1600e6),))
    assert held_by_code(tight) == [1640e6]


def test_r1_by_the_code():
    """Both layers as one: 400 mm2 at 200 mm in 200 mm; 1640 of 1860 MPa is 0.88, gamma .40."""
    ratio = 400 / (200 * 200)
    beta = 0.85 - 0.05 * (50 / 6.894757293168361 - 4)
    expected = 1860e6 * (1 - 0.40 / beta * ratio * 1860 / 50)
    assert by_code(R1) == pytest.approx([expected] * 2, rel=1e-12)
    # Plane sections give the lower layer more and the upper one far less.
    lower, upper = ultimate(R1).tendon_stress
    assert upper < expected < lower


def test_of_mixed_tendons_each_has_its_own_formula():
    mixed = replace(U1, tendons=(U1.tendons[0], replace(U1.tendons[0], bond=UNBONDED)))
    bonded, free = by_code(mixed)
    assert held_by_code(mixed) == [None, free]
    assert free == by_code(LOOSE)[0]
    assert bonded == by_code(U1)[0]


@given(specimens())
def test_with_bond_the_code_changes_nothing(specimen):
    assert held_by_code(specimen) == [None] * len(specimen.tendons)
    assert ultimate_by_code(specimen) == ultimate(specimen)


@given(specimens(bond=UNBONDED))
def test_a_tendon_without_bond_gains_stress_to_the_end(specimen):
    for held, stress, tendon in zip(
        held_by_code(specimen), prestress(specimen), specimen.tendons, strict=True
    ):
        assert held is not None
        assert stress < held <= yield_stress(tendon)


def test_a_bonded_tendon_of_little_stress_is_beyond_the_formula():
    """ACI 318 asks for an effective stress of at least half the strength."""
    (tendon,) = U1.tendons
    for share, known in ((0.52, True), (0.48, False)):
        loose = replace(U1, tendons=(replace(tendon, stress=share * 1860e6, stress_at=ZERO),))
        assert [math.isfinite(stress) for stress in by_code(loose)] == [known]
