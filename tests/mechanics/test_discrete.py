"""Discrete cracks: by hand for one tendon, their bounds, and the length read back from them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.mechanics.bond_laws import BondLaw, ConstantBond, FibBond, ribbed, transmission
from rig.mechanics.discrete import AtCrack, at_crack, crack_spacing, debonded_length
from rig.mechanics.laws import concrete_stress
from rig.mechanics.section import (
    UNBONDED,
    cracking_moment,
    decompression_moment,
    state_at,
    ultimate,
)
from rig.mechanics.shapes import gross, load_at, moment_under
from rig.mechanics.smeared import debonded
from rig.mechanics.specimen import Specimen
from rig.mechanics.transfer import (
    aci_transfer_length,
    anchored_length,
    eurocode_transfer_length,
    transfer_length,
)
from tests.mechanics.sections import R1, U1, specimens

WIRE = 0.0127
LAWS: list[BondLaw] = [transmission(4.0e6), ribbed(50e6)]
LOOSE = replace(U1, tendons=(replace(U1.tendons[0], bond=UNBONDED),))


def by_hand(length: float, tau: float, load: float) -> AtCrack:
    """Return a crack of U1 whose tendon is looked for by halving, all from plain formulas.

    No self weight, the length between the loads and not shorter than the hinge of 0.3 m; even
    bond. The concrete between cracks goes on from decompression with the law's first modulus.
    """
    tendon, first = U1.tendons[0], 2 * 50e6 / 0.002
    start, moment = decompression_moment(U1), load / 2 * 1.0
    base, shape = state_at(U1, start), gross(U1.section)
    lever = tendon.depth - shape.centroid
    gives = tendon.area * (1 / shape.area + lever**2 / shape.inertia) / first
    bends = lever / (first * shape.inertia)
    before = base.curvature * tendon.depth - base.top_strain

    def whole(pull: float) -> float:
        return before + (moment - start) * bends - gives * pull

    def state(stress: float):
        return state_at(U1, moment, [stress])

    def too_long(stress: float) -> bool:
        """Whether the hinge is longer than a tendon of that stress lets it be."""
        hinge = state(stress)
        if math.isnan(hinge.top_strain):
            return True
        pull = stress - base.tendon_stress[0]
        far = (moment - start) * bends / (1 / tendon.modulus + gives)
        # Less than it strains with bond at decompression is no strain of the concrete's.
        free = length * (before + pull / tendon.modulus - whole(pull))
        drop = max(pull - far, 0.0)
        slip = drop**2 * (1 / tendon.modulus + gives) / (2 * 4 / WIRE * tau)
        opens = hinge.curvature * tendon.depth - hinge.top_strain - whole(pull)
        return 0.3 * opens > free + 2 * slip

    low, high = 1000e6, 1640e6
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if too_long(middle) else (low, middle)
    end = state(high)
    pull = high - base.tendon_stress[0]
    shift = -pull * tendon.area
    bottom = base.curvature * 0.3 - base.top_strain
    bottom += ((moment - start) + shift * lever) * 0.15 / (first * shape.inertia)
    bottom += shift / (first * shape.area)
    opening = 0.3 * (end.curvature * 0.3 - end.top_strain - bottom)
    none = (0.0,)
    return AtCrack(load, length, opening, (high,), end.concrete_top, 0.0, none, none)


@pytest.mark.parametrize("length", [0.3, 0.5, 0.9])
@pytest.mark.parametrize("load", [110e3, 150e3])
def test_a_crack_in_u1_is_what_plain_formulas_say(length: float, load: float):
    """One tendon, even bond of 8 MPa; every formula written out once more in the test."""
    found = at_crack(U1, load, length, ConstantBond(8e6), None, WIRE)
    wanted = by_hand(length, 8e6, load)
    assert found.tendon_stress[0] == pytest.approx(wanted.tendon_stress[0], rel=1e-6)
    assert found.opening == pytest.approx(wanted.opening, rel=1e-4)
    assert found.concrete_top == pytest.approx(wanted.concrete_top, rel=1e-5)


@pytest.mark.nights
@given(specimens(), st.floats(0.1, 0.99), st.floats(0.0, 1.0))
def test_a_closed_crack_is_a_section_with_bond(beam: Specimen, share: float, part: float):
    load = share * load_at(beam, decompression_moment(beam))
    assume(load > 0)
    found = at_crack(beam, load, part * beam.section.span, LAWS[0])
    with_bond = debonded(beam, load, 0.0)
    assert (found.opening, found.end_slip[0], found.reach[0]) == (0.0, 0.0, 0.0)
    assert found.tendon_stress == pytest.approx(with_bond.tendon_stress, rel=1e-9)
    assert found.concrete_top == pytest.approx(with_bond.concrete_top, rel=1e-9, abs=1.0)
    assert found.deflection == pytest.approx(with_bond.deflection, rel=1e-9)


@pytest.mark.parametrize("bond", LAWS)
def test_close_cracks_that_have_lost_all_bond_are_smeared(bond: BondLaw):
    """Cracks no further apart than the height, free from one to the next: plane sections again."""
    found = at_crack(U1, 150e3, 0.2, bond, 0.2, WIRE)
    state = state_at(U1, 75e3)
    assert found.tendon_stress == pytest.approx(state.tendon_stress, rel=1e-7)
    assert found.concrete_top == pytest.approx(state.concrete_top, rel=1e-6)
    more = at_crack(U1, 150e3, 5.0, bond, 0.2, WIRE)
    assert more.opening == found.opening
    # A longer hinge in the same crack would be longer than its tendon: it has more stress.
    assert at_crack(U1, 150e3, 0.1, bond, 0.2, WIRE).tendon_stress > found.tendon_stress


@pytest.mark.parametrize("bond", LAWS)
@pytest.mark.parametrize("spacing", [None, 0.25, 0.8])
@pytest.mark.parametrize("beam", [R1, U1])
def test_as_bond_is_lost_cracks_open_and_the_top_is_pressed(
    beam: Specimen, spacing: float | None, bond: BondLaw
):
    lengths = np.linspace(0.0, min(spacing or 1.0, 1.0), 15)
    found = at_crack(beam, 150e3, lengths, bond, spacing, WIRE)
    assert np.all(np.diff(found.opening) > 0)
    # Bond is tabulated: to some thousandths where hardly any is left.
    assert np.all(np.diff(found.concrete_top) > -3e-4 * found.concrete_top[0])
    assert np.all(np.diff(found.tendon_stress[0]) < 1e-4 * found.tendon_stress[0][0])
    assert found.concrete_top[-1] > 1.03 * found.concrete_top[0]
    assert np.all(np.diff(found.deflection) > -3e-4 * found.deflection[0])
    assert np.all(np.diff(found.reach[0]) >= 0)
    assert np.all(found.reach[0] >= lengths / 2)


@pytest.mark.parametrize("bond", LAWS)
def test_cracks_open_with_the_load(bond: BondLaw):
    loads = np.linspace(90e3, 170e3, 9)
    found = at_crack(U1, loads, 0.4, bond, None, WIRE)
    assert found.opening[0] >= 0
    for values in (found.opening, found.concrete_top, found.tendon_stress[0], found.deflection):
        assert np.all(np.diff(values) > 0)


def test_weaker_bond_and_thicker_wires_open_cracks():
    """Less perimeter for the same area, less stress on it."""
    found = [
        at_crack(U1, 150e3, 0.2, ConstantBond(tau), None, wire).opening
        for tau, wire in ((10e6, 0.01), (5e6, 0.01), (5e6, 0.015), (5e6, None))
    ]
    assert found == sorted(found)
    assert len(set(found)) == 4


def test_a_layer_above_mid_height_keeps_its_bond():
    """R1: the strands at 50 mm have the strain of the hinge, do not slip and do not move."""
    found = at_crack(R1, 160e3, 0.5, LAWS[1], None, WIRE)
    state = state_at(R1, 80e3, [found.tendon_stress[0], None])
    assert found.tendon_stress[1] == pytest.approx(state.tendon_stress[1], rel=1e-9)
    assert found.concrete_top == pytest.approx(state.concrete_top, rel=1e-9)
    assert (found.end_slip[1], found.reach[1]) == (0.0, 0.0)
    # A single layer near the top is crossed nevertheless: something must hold the crack.
    high = replace(U1, tendons=(replace(U1.tendons[0], depth=0.14),))
    assert at_crack(high, 80e3, 0.5, LAWS[1], None, WIRE).reach[0] > 0.25


def test_a_tendon_without_bond_opens_one_wide_crack():
    """The whole span slips, whatever length is said; the top is pressed more than smeared."""
    found = at_crack(LOOSE, 130e3, np.array([0.0, 1.0, 3.0]), LAWS[0])
    assert np.ptp(found.opening) == 0.0
    assert found.reach[0] == pytest.approx(1.5)
    assert np.all(found.end_slip[0] == 0.0)
    smeared = debonded(LOOSE, 130e3, 0.0)
    assert found.concrete_top[0] > smeared.concrete_top
    assert found.opening[0] > 2.5 * at_crack(U1, 130e3, 0.0, LAWS[0]).opening


def test_the_opening_of_an_unbonded_crack_turns_the_beam():
    """Deflection: of the whole beam, and the crack's rotation times L/4, less the tendon's."""
    found = [at_crack(LOOSE, load, 0.0, LAWS[0]) for load in (100e3, 130e3)]
    opened = found[1].opening - found[0].opening
    bent = found[1].deflection - found[0].deflection
    elastic = debonded(LOOSE, 30e3, 0.0).deflection
    assert 0.8 < (bent - elastic) / (opened / 0.3 * 3.0 / 4) < 1.6


def test_the_end_slips_when_the_lost_bond_nears_it():
    """By a rising law little by little; 25 um are what a rig notices (common practice)."""
    lengths = np.linspace(0.0, 2.95, 60)
    found = at_crack(U1, 130e3, lengths, ribbed(50e6), None, WIRE)
    slip, known = found.end_slip[0], ~np.isnan(found.opening)
    assert np.all(np.diff(slip[known]) >= 0)
    assert np.all(slip[lengths < 0.5] < 1e-6)
    assert slip[known][-1] > 25e-6
    assert not known[-1]


def test_even_bond_lets_go_at_once():
    """What is left bears no more than u tau l: beyond it no moment balances."""
    bond = ConstantBond(6e6)
    lengths = np.linspace(0.0, 2.9, 30)
    found = at_crack(U1, 130e3, lengths, bond, None, WIRE)
    bears = 4 / WIRE * 6e6 * (3.0 - lengths) / 2
    held = ~np.isnan(found.opening)
    assert 0 < held.sum() < len(lengths)
    assert np.all(found.tendon_stress[0][held] <= bears[held] * (1 + 1e-9))
    assert np.all(bears[~held] < 1.02 * found.tendon_stress[0][held][-1])


def test_hopeless_loads_and_no_tendons_are_told_apart():
    """A crack that nothing holds has no numbers; a beam without tendons is no question."""
    found = at_crack(U1, np.array([130e3, 400e3]), 0.2, LAWS[0])
    assert np.isnan(found.opening).tolist() == [False, True]
    with pytest.raises(ValueError, match="0 tendons"):
        at_crack(replace(U1, tendons=()), 10e3, 0.2, LAWS[0])


def test_numbers_give_numbers_and_arrays_tables():
    one = at_crack(U1, 150e3, 0.2, LAWS[0])
    assert all(isinstance(v, float) for v in (one.load, one.opening, *one.end_slip))
    table = at_crack(U1, np.array([[50e3], [150e3]]), np.array([0.0, 0.2]), LAWS[0])
    assert table.opening.shape == (2, 2)
    assert table.opening[1, 1] == pytest.approx(one.opening, rel=1e-9)
    assert table.opening[0].tolist() == [0.0, 0.0]


@pytest.mark.parametrize(
    "bond", [LAWS[0], *(pytest.param(b, marks=pytest.mark.nights) for b in LAWS[1:])]
)
@pytest.mark.parametrize("spacing", [pytest.param(None, marks=pytest.mark.nights), 0.6])
def test_the_length_is_read_back_from_the_opening(spacing: float | None, bond: BondLaw):
    """Over cycles whose load wanders: to a thousandth of the span or of the spacing."""
    rng = np.random.default_rng(1)
    loads = 150e3 * (1 + 0.01 * rng.standard_normal(50))
    lengths = rng.uniform(0.01, 0.55, 50)
    opening = at_crack(U1, loads, lengths, bond, spacing, WIRE).opening
    found = debonded_length(U1, opening, loads, bond, spacing, WIRE)
    assert found == pytest.approx(lengths, abs=1e-3 * (spacing or 3.0))


def test_an_opening_outside_what_can_be_has_no_length():
    """Narrower than with full bond, wider than any, not measured, and under a closed crack."""
    least = at_crack(U1, 150e3, 0.0, LAWS[1], None, WIRE).opening
    wide = np.array([0.5 * least, 0.1, np.nan, 1.5 * least, 1.5 * least])
    loads = np.array([150e3, 150e3, 150e3, 150e3, np.nan])
    found = debonded_length(U1, wide, loads, LAWS[1], None, WIRE)
    assert np.isnan(found).tolist() == [True, True, True, False, True]
    assert math.isnan(debonded_length(U1, 1e-4, 20e3, LAWS[1]))
    assert isinstance(debonded_length(U1, 1.5 * least, 150e3, LAWS[1], None, WIRE), float)


def test_no_crack_forms_where_the_tendon_still_gives_its_stress_back():
    """At the cracking load; of even bond the tension block of the concrete over u tau."""
    least, most = crack_spacing(U1, ConstantBond(5e6), WIRE)
    assert most == 2 * least
    load = load_at(U1, cracking_moment(U1))
    assert at_crack(U1, load, 0.0, ConstantBond(5e6), None, WIRE).reach[0] == least
    assert 0.01 < least < 0.3
    assert crack_spacing(U1, ConstantBond(10e6), WIRE)[0] < least
    assert crack_spacing(LOOSE, ConstantBond(5e6), WIRE) == (math.inf, math.inf)


def test_transfer_lengths_of_codes_and_of_even_bond():
    """d f / (4 tau); EN 1992-1-1 (8.16) and ACI 318 25.4.8 from memory: 1.0 m, 60 diameters."""
    assert anchored_length(1200e6, 0.01, 3e6) == pytest.approx(1.0)
    assert eurocode_transfer_length(1200e6, 0.01, 3e6, "circular") == pytest.approx(1.0)
    assert eurocode_transfer_length(1200e6, 0.01, 3e6, release="sudden") == pytest.approx(0.95)
    assert aci_transfer_length(180e3 * 6894.757293168361, 0.0127) == pytest.approx(60 * 0.0127)
    even = transfer_length(U1, ConstantBond(3e6), WIRE)[0]
    assert even == pytest.approx(anchored_length(1100e6, WIRE, 3e6), rel=1e-3)
    assert transfer_length(LOOSE, ConstantBond(3e6), WIRE) == (0.0,)
    assert len(transfer_length(R1, ribbed(50e6), WIRE)) == 2


@pytest.mark.nights
@given(specimens(), st.floats(0.3, 0.8), st.floats(0.0, 0.4))
def test_any_cracked_beam_has_its_crack(beam: Specimen, share: float, part: float):
    """Its section is in equilibrium with the tendons' stress, and its top is pressed."""
    load = load_at(beam, share * ultimate(beam).moment)
    assume(load > load_at(beam, decompression_moment(beam)) > 0)
    wide = FibBond(8e6, 0.5e-3, 0.4, 3e6, 1e-3, 5e-3)
    found = at_crack(beam, load, part * beam.section.load_spacing, wide, None, WIRE)
    assume(not math.isnan(found.opening))
    moment = float(moment_under(beam, load))
    loose = [t.depth >= beam.section.height / 2 for t in beam.tendons]
    held = [s if free else None for s, free in zip(found.tendon_stress, loose, strict=True)]
    state = state_at(beam, moment, held)
    assert found.concrete_top == pytest.approx(state.concrete_top, rel=1e-5)
    assert found.concrete_top <= concrete_stress(beam.concrete, 0.0035)
    assert found.opening > 0
