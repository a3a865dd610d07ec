"""Tendons without bond over a length, cracks smeared out: check case U1 and what holds of any."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from rig.commands.files import packaged, read_text
from rig.mechanics.bending import midspan_flexibility, shear_flexibility
from rig.mechanics.debonding import with_bond_everywhere
from rig.mechanics.rigidity import uncracked_rigidity
from rig.mechanics.section import (
    UNBONDED,
    decompression_moment,
    state_at,
    ultimate,
    uncracked_state,
)
from rig.mechanics.shapes import gross, load_at, moment_under, shear_span
from rig.mechanics.smeared import debonded, debonded_ultimate, omega, unbonded_ultimate
from rig.mechanics.specimen import Bar, Concrete, Specimen, SteelLaw, Tendon
from rig.protocol.load import load_specimen
from tests.mechanics.sections import R1, RECTANGLE, U1, specimens


def light(specimen: Specimen) -> Specimen:
    return replace(specimen, concrete=replace(specimen.concrete, density=0.0))


def free(specimen: Specimen) -> Specimen:
    return replace(specimen, tendons=tuple(replace(t, bond=UNBONDED) for t in specimen.tendons))


# U1: an independent computation of the elongation integral (plane sections, no self weight);
# two of the ultimate states also by structuralcodes 0.7.2. Columns: 0, 1, 1.5, 3 m debonded.
LENGTHS = np.array([0.0, 1.0, 1.5, 3.0])
U1_STRESS = {
    40e3: [1114.383, 1114.383, 1113.829, 1109.738],
    50e3: [1122.067, 1122.067, 1120.327, 1113.766],
    55e3: [1131.419, 1131.419, 1128.093, 1118.283],
}


@pytest.mark.parametrize("moment", U1_STRESS)
def test_u1_has_its_stresses(moment: float):
    found = debonded(U1, load_at(U1, moment), LENGTHS)
    assert found.tendon_stress[0] / 1e6 == pytest.approx(U1_STRESS[moment], abs=7e-4)
    assert found.concrete_top[0] == pytest.approx(state_at(U1, moment).concrete_top, rel=1e-9)


def test_u1_has_its_elongations():
    """0.113164, 0.156358, 0.211788 mm in all at 50 kNm."""
    found = debonded(U1, 100e3, LENGTHS[1:])
    assert found.elongation[0] * 1e3 == pytest.approx([0.113164, 0.156358, 0.211788], rel=6e-5)


def test_u1_has_its_ultimate_states():
    """95.363914 kNm with 1497.3165 MPa also by structuralcodes 0.7.2, 103.353368 with bond."""
    found = debonded_ultimate(U1, LENGTHS)
    assert found.tendon_stress[0] / 1e6 == pytest.approx(
        [1656.889, 1656.889, 1646.040, 1497.317], abs=2e-3
    )
    assert found.moment / 1e3 == pytest.approx(
        [103.35337, 103.35337, 102.82344, 95.36391], abs=5e-5
    )
    assert found.neutral_axis * 1e3 == pytest.approx(
        [81.8698, 81.8698, 81.3337, 73.98505], abs=1e-4
    )


def test_omega_is_the_mean_moment_over_the_length():
    """1 - a/L over the span (1/2 with one load); 1, 0.958333, 0.875, 0.795833, 2/3 by thirds."""
    lengths = 3.0 * np.array([0.0, 1 / 3, 0.5, 2 / 3, 0.8, 1.0, 2.0])
    wanted = [1.0, 1.0, 0.9583333, 0.875, 0.7958333, 2 / 3, 2 / 3]
    assert omega(3.0, 1.0, lengths) == pytest.approx(wanted, abs=5e-8)
    assert omega(3.0, 1.5, 3.0) == pytest.approx(0.5)


# Uncracked concrete of 35 GPa under a straight tendon at 250 mm; one without stiffness at 50 mm
# holds the section together from end to end, so that nothing opens.
ELASTIC = Specimen(
    "elastic",
    RECTANGLE,
    Concrete(350e6, 35e9, 0.0, 0.0, "points", 0.01, 0.01, ((0.0, 0.0), (0.01, 350e6))),
    (
        Tendon(400e-6, 0.25, 195e9, "pre-tensioned", 600e6, "no moment", U1.tendons[0].law),
        Tendon(
            400e-6,
            0.05,
            1e3,
            "pre-tensioned",
            600e6,
            "no moment",
            SteelLaw("bilinear", 2e9, 2e9, 1e9),
        ),
    ),
)


def test_an_elastic_tendon_takes_its_share_and_gives_way_to_it():
    """dsig = Ep Omega M e / (Ec I) / (1 + n Ap (1/A + e2/I)), by hand: 22.787029, 15.191353 MPa.

    M = 20 kNm; the elongation over 3 m is 0.233713 mm.
    """
    found = debonded(ELASTIC, np.array([[0.0], [40e3]]), np.array([0.0, 3.0]))
    rise = np.diff(found.tendon_stress[0], axis=0)[0]
    assert rise / 1e6 == pytest.approx([22.787029, 15.191353], rel=1e-7)
    assert found.elongation[0][1, 1] * 1e3 == pytest.approx(0.233713, abs=5e-7)


@given(st.floats(0.0, 3.0))
def test_uncracked_the_stress_rises_by_omega(length: float):
    rise = [
        float(np.diff(debonded(ELASTIC, np.array([0.0, 40e3]), at).tendon_stress[0])[0])
        for at in (0.0, length)
    ]
    # The stress of its own that shortens the concrete is the same part of either.
    assert rise[1] / rise[0] == pytest.approx(omega(3.0, 1.0, length), rel=1e-8)


def test_decompressed_u1_is_near_omega_still():
    """9.738 / 14.383 = 0.677 at 40 kNm, 2/3 while nothing opens (check case U1)."""
    rise = debonded(U1, 80e3, np.array([0.0, 3.0])).tendon_stress[0] - 1100e6
    assert rise[1] / rise[0] == pytest.approx(0.677, abs=5e-4)


def test_uncracked_r1_bends_as_its_transformed_section():
    """1.16974996 mm by bending at P = 20 kN (check section R1); shear comes to it."""
    bending = debonded(R1, 40e3, 0.0).deflection - 40e3 * shear_flexibility(0.06, 35e9, 1.0)
    assert bending == pytest.approx(1.16974996e-3, rel=1e-7)


@given(specimens(), st.floats(0.1, 0.9))
def test_a_closed_beam_bends_as_elastic_theory_says(beam: Specimen, share: float):
    load = share * load_at(beam, decompression_moment(beam))
    assume(load > 0 and uncracked_state(beam, 0.0).concrete_top > 0)
    section, a = beam.section, shear_span(beam.section)
    flexible = midspan_flexibility(uncracked_rigidity(beam), section.span, a)
    flexible += shear_flexibility(gross(section).area, beam.concrete.modulus, a)
    assert debonded(beam, load, 0.0).deflection == pytest.approx(load * flexible, rel=1e-5)


@pytest.mark.nights
@given(specimens(), st.floats(0.2, 0.95))
def test_without_any_length_the_section_has_its_bond(beam: Specimen, share: float):
    most = ultimate(beam).moment
    assume(most > 0)
    load = load_at(beam, share * most)
    found, state = debonded(beam, load, 0.0), state_at(beam, share * most)
    assume(not np.isnan(state.concrete_top))
    assert found.concrete_top == pytest.approx(state.concrete_top, rel=1e-6, abs=10.0)
    assert found.tendon_stress == pytest.approx(state.tendon_stress, rel=1e-7)
    assert debonded_ultimate(beam, 0.0).moment == pytest.approx(most, rel=1e-6)
    assert unbonded_ultimate(beam).moment == pytest.approx(most, rel=1e-6)


@pytest.mark.nights
@given(specimens(), st.floats(0.2, 0.95), st.floats(0.0, 1.0))
def test_no_longer_than_the_load_span_changes_nothing(heavy: Specimen, share: float, part: float):
    """Without self weight, whose moment is curved."""
    beam = light(heavy)
    load = load_at(beam, share * ultimate(beam).moment)
    assume(load > 0)
    lengths = np.array([0.0, part * beam.section.load_spacing])
    found, end = debonded(beam, load, lengths), debonded_ultimate(beam, lengths)
    assume(not np.any(np.isnan(found.concrete_top)))
    for values in (found.concrete_top, found.deflection, *found.tendon_stress, end.moment):
        assert values[1] == pytest.approx(values[0], rel=1e-7, abs=1e-9)


@pytest.mark.nights
@given(specimens(), st.floats(0.2, 0.9))
def test_the_whole_span_is_a_beam_without_bond(heavy: Specimen, share: float):
    """Whatever length is said to be debonded of that."""
    beam = light(heavy)
    span, loose = beam.section.span, free(beam)
    all_of_it, end = debonded_ultimate(beam, span), debonded_ultimate(loose, span)
    assert end.moment == pytest.approx(all_of_it.moment, rel=1e-9)
    assert end.tendon_stress == pytest.approx(all_of_it.tendon_stress, rel=1e-9)
    load = load_at(beam, share * end.moment)
    one, other = debonded(beam, load, span), debonded(loose, load, span)
    assert one.tendon_stress == pytest.approx(other.tendon_stress, rel=1e-9)
    assert one.concrete_top == pytest.approx(other.concrete_top, rel=1e-9)
    # Other lengths put the stations elsewhere.
    some = debonded(loose, load, 0.3 * span)
    assert some.tendon_stress == pytest.approx(one.tendon_stress, rel=1e-4)
    assert unbonded_ultimate(loose).moment == pytest.approx(end.moment, rel=1e-4)


@pytest.mark.nights
@given(specimens(), st.floats(0.3, 0.95))
def test_one_layer_loses_stress_and_the_top_gains_it(beam: Specimen, share: float):
    """As the length grows. The top of a closed section loses a little with the tendon."""
    beam = replace(light(beam), tendons=beam.tendons[:1], bars=())
    lengths = np.linspace(0.0, beam.section.span, 12)
    end = debonded_ultimate(beam, lengths)
    assert np.all(np.diff(end.tendon_stress[0]) <= 1e-8 * end.tendon_stress[0][0])
    if ultimate(beam).part == "concrete":  # a tendon that would break has its strain spread
        assert np.all(np.diff(end.moment) <= 1e-7 * end.moment[0])
    found = debonded(beam, load_at(beam, share * end.moment[-1]), lengths)
    assert np.all(np.diff(found.tendon_stress[0]) <= 1e-8 * found.tendon_stress[0][0])
    assert np.all(np.diff(found.concrete_top) >= -1e-3 * found.concrete_top[0])
    assert np.all(np.diff(found.deflection) >= -1e-3 * found.deflection[0])


@pytest.mark.nights
@given(specimens(), st.floats(0.0, 1.0))
def test_a_beam_bears_what_its_ultimate_state_says_and_no_more(beam: Specimen, part: float):
    """Not by the rectangular block, which is no law of service."""
    assume(beam.concrete.law != "rectangular block")
    length = part * beam.section.span
    most = debonded_ultimate(beam, length).moment
    below, above = (debonded(beam, load_at(beam, f * most), length) for f in (0.9999, 1.001))
    assert 0 < below.concrete_top <= beam.concrete.strength * 1.000001
    assert np.isnan(above.concrete_top)


def test_the_block_bears_a_little_less_than_the_parabola():
    """At any length; its beam elongates by the laws of service."""
    lengths = np.linspace(0.0, 3.0, 7)
    block = replace(U1.concrete, law="rectangular block", ultimate_strain=0.003)
    found = debonded_ultimate(replace(U1, concrete=block), lengths).moment
    share = found / debonded_ultimate(U1, lengths).moment
    assert np.all((share > 0.85) & (share < 0.95))
    assert found[0] == pytest.approx(ultimate(replace(U1, concrete=block)).moment, rel=1e-9)


def test_unbonded_tendons_among_bonded_ones_are_free_by_themselves():
    """The pre-tensioned one keeps its plane section at mid-span, the other does not."""
    pair = (replace(U1.tendons[0], bond=UNBONDED), replace(U1.tendons[0], depth=0.25))
    mixed = replace(U1, tendons=pair)
    found = debonded(mixed, 120e3, 0.0)
    state = state_at(mixed, 60e3, [found.tendon_stress[0], None])
    assert found.tendon_stress[1] == pytest.approx(state.tendon_stress[1], rel=1e-9)
    assert (
        found.tendon_stress[0]
        < debonded(replace(mixed, tendons=(U1.tendons[0], pair[1])), 120e3, 0.0).tendon_stress[0]
    )
    end = unbonded_ultimate(mixed)
    assert end.part == "concrete"
    assert end.moment < ultimate(mixed).moment


def test_a_weak_tendon_breaks_before_the_concrete():
    """Bonded it is at its strength; free over the span it never strains so far."""
    brittle = replace(U1.tendons[0], law=SteelLaw("bilinear", 1640e6, 1700e6, 0.010))
    beam = replace(U1, tendons=(brittle,))
    bonded, loose = unbonded_ultimate(beam), unbonded_ultimate(free(beam))
    assert (bonded.part, loose.part) == ("tendon", "concrete")
    assert bonded.tendon_stress[0] == pytest.approx(1700e6, rel=1e-6)
    assert bonded.top_strain < 0.0035


def test_bars_of_an_unbonded_beam_have_the_strain_of_their_section():
    beam = free(replace(U1, bars=(Bar(200e-6, 0.27, 200e9, 500e6),)))
    end = unbonded_ultimate(beam)
    assert end.bar_stress == (500e6,)
    assert end.moment > unbonded_ultimate(free(U1)).moment


def test_loads_and_lengths_spread_over_each_other():
    """A number of each gives numbers, a column and a row give a table."""
    one = debonded(R1, 160e3, 2.0)
    assert all(isinstance(v, float) for v in (one.load, one.deflection, *one.elongation))
    table = debonded(R1, np.array([[100e3], [160e3]]), np.array([0.0, 2.0, 3.0]))
    assert table.deflection.shape == (2, 3)
    assert table.deflection[1, 1] == pytest.approx(one.deflection, rel=1e-9)
    assert [s[1, 1] for s in table.tendon_stress] == pytest.approx(one.tendon_stress, rel=1e-9)
    assert debonded_ultimate(R1, 2.0).moment == pytest.approx(110.867e3, rel=1e-4)


def test_a_load_that_nothing_bears_is_no_number():
    found = debonded(U1, np.array([100e3, 300e3]), 1.5)
    assert np.isnan(found.concrete_top).tolist() == [False, True]
    assert np.isnan(found.deflection[1])
    assert np.isnan(found.tendon_stress[0][1])


def test_self_weight_is_there_before_the_actuator():
    """Deflection counts from no load; the moment of self weight counts in the section."""
    heavy = replace(U1, concrete=replace(U1.concrete, density=8000.0))
    found = debonded(heavy, np.array([0.0, 80e3]), 0.0)
    assert found.deflection[0] == 0.0
    own = moment_under(heavy, 0.0)
    assert own == pytest.approx(8000 * 0.06 * 9.80665 * 9 / 8)
    assert found.concrete_top[1] == pytest.approx(
        debonded(U1, 80e3 + 2 * own, 0.0).concrete_top, rel=1e-6
    )


FALLING = replace(
    U1.concrete, law="points", law_points=((0, 0), (0.001, 35e6), (0.002, 50e6), (0.0035, 42e6))
)


@pytest.mark.parametrize("beam", [U1, R1])
def test_concrete_whose_stress_falls_has_its_states_at_any_length(beam: Specimen):
    """With bond it ends as its section, and every load below its end has a state."""
    soft, lengths = replace(beam, concrete=FALLING), np.linspace(0.0, 3.0, 13)
    end = debonded_ultimate(soft, lengths)
    assert end.moment[0] == pytest.approx(ultimate(soft).moment, rel=1e-9)
    assert end.neutral_axis[0] == pytest.approx(ultimate(soft).neutral_axis, rel=1e-6)
    share = end.moment / debonded_ultimate(beam, lengths).moment
    assert np.all((share > 0.95) & (share < 1.0))
    assert np.all(np.diff(end.moment) < 1e-6 * end.moment[0])
    found = debonded(soft, load_at(soft, 0.99 * end.moment), lengths)
    assert np.all((found.concrete_top > 45e6) & (found.concrete_top <= 50e6))
    assert np.all(np.isfinite(found.deflection))


@pytest.mark.parametrize("name", ["prism-small", "prism-unbonded", "prism-central", "plank"])
def test_shipped_specimens_have_an_ultimate_state_at_any_length(name: str):
    """Built as they are, and as if with bond; with concrete as weak as water makes it."""
    shipped = load_specimen(f"{packaged(f'specimens/{name}')}", read_text)
    for beam in (shipped, with_bond_everywhere(shipped)):
        wet = replace(beam.concrete, strength=25 / 30 * beam.concrete.strength)
        for one in (beam, replace(beam, concrete=wet)):
            lengths = np.append(np.linspace(0.0, 1.0, 29), 0.86) * one.section.span
            assert not np.any(np.isnan(debonded_ultimate(one, lengths).moment))
