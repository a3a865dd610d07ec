"""Slip beyond a lost bond, against closed forms and its equation integrated step by step."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.mechanics.bond_laws import ConstantBond, FibBond, ribbed
from rig.mechanics.bond_zone import Bar, BondZone, between_cracks, towards_end

pytestmark = pytest.mark.xdist_group("scipy")  # it loads slowly: by one process

BAR = Bar(around=4 / 9.3e-3, give=1.15 / 195e9, strongest=1860e6)
FAR = np.full(1, np.inf)
STEEP = FibBond(12e6, 0.2e-3, 0.5, 4e6, 0.6e-3, 3e-3)


def energy(drop: float) -> np.ndarray:
    """k d2 / 2."""
    return np.full(1, BAR.give * drop**2 / 2)


def integrated(law: ConstantBond | FibBond, slip: float, drop: float, length: float):
    """Return slip and stress a length further on: ds/dx = -k d, dd/dx = -u tau(s)."""

    from scipy.integrate import solve_ivp

    def rate(_: float, y: np.ndarray) -> list[float]:
        return [-BAR.give * y[1] * 1e3, -BAR.around * float(law.stress(y[0] / 1e3))]

    found = solve_ivp(rate, (0.0, length), [slip * 1e3, drop], rtol=1e-8, atol=[1e-9, 1.0])
    return found.y[0, -1] / 1e3, found.y[1, -1]


def slip(zone: BondZone, drop: float) -> float:
    return float(zone.slips(energy(drop))[0][0])


@given(st.floats(1e6, 900e6), st.floats(1e6, 20e6))
def test_even_bond_has_its_closed_form(drop: float, tau: float):
    """s = k d2 / (2 u tau) over d / (u tau): equilibrium of a bar."""
    zone = between_cracks(ConstantBond(tau), BAR, FAR)
    assert slip(zone, drop) == pytest.approx(BAR.give * drop**2 / (2 * BAR.around * tau), rel=1e-9)
    reach = zone.reach(energy(drop))[0]
    assert reach == pytest.approx(drop / (BAR.around * tau), rel=1e-6)


@given(st.floats(0.05, 0.95), st.floats(100e6, 900e6))
def test_even_bond_between_cracks_leaves_some_stress(part: float, drop: float):
    """d_m = d - u tau l half way, s = k l (d + d_m) / 2: a trapezoid."""
    tau = 8e6
    room = part * drop / (BAR.around * tau)
    zone = between_cracks(ConstantBond(tau), BAR, np.full(1, room))
    left = drop - BAR.around * tau * room
    assert slip(zone, drop) == pytest.approx(BAR.give * room * (drop + left) / 2, rel=5e-3)
    assert zone.reach(energy(drop))[0] == pytest.approx(room)


@pytest.mark.nights
@pytest.mark.parametrize("law", [STEEP, ribbed(50e6), FibBond(5e6, 1e-5, 0.0, 5e6, 1e-4, 2e-4)])
@pytest.mark.parametrize("drop", [100e6, 400e6, 800e6])
def test_slip_and_stress_die_away_together(law: FibBond, drop: float):
    zone = between_cracks(law, BAR, FAR)
    begin, length = slip(zone, drop), float(zone.reach(energy(drop))[0])
    # Close to where both vanish any error grows: look at nine tenths of the way.
    end, left = integrated(law, begin, drop, 0.9 * length)
    assert 0 < end < 0.1 * begin
    assert 0 < left < 0.25 * drop
    rest = float(zone.reach(energy(left))[0])
    assert rest == pytest.approx(0.1 * length, rel=0.02)


@pytest.mark.nights
@pytest.mark.parametrize("law", [STEEP, ribbed(50e6)])
@pytest.mark.parametrize("part", [0.1, 0.5, 0.9])
def test_half_way_between_cracks_nothing_slips(law: FibBond, part: float):
    drop = 500e6
    room = part * float(between_cracks(law, BAR, FAR).reach(energy(drop))[0])
    zone = between_cracks(law, BAR, np.full(1, room))
    end, left = integrated(law, slip(zone, drop), drop, room)
    assert end == pytest.approx(0.0, abs=2e-2 * slip(zone, drop))
    assert 0 < left < drop


@pytest.mark.nights
@pytest.mark.parametrize("part", [0.4, 0.6, 0.85])
def test_where_both_zones_meet_the_tendon_slips_to_its_end(part: float):
    """From the crack to the end: stress d there, less the whole prestress here."""
    law, drop, prestress = ribbed(50e6), 250e6, 1000e6
    alone = towards_end(law, BAR, prestress, FAR)
    drawn = float(between_cracks(law, BAR, FAR).slips(energy(prestress))[0][0])
    natural = sum(float(alone.reach(energy(d))[0]) for d in (drop, prestress))
    zone = towards_end(law, BAR, prestress, np.full(1, part * natural))
    begin, at_end = (float(v[0]) for v in zone.slips(energy(drop)))
    end, left = integrated(law, begin, drop, part * natural)
    assert left == pytest.approx(-prestress, rel=0.02)
    assert end == pytest.approx(drawn + at_end, rel=0.02)
    assert at_end > 0
    assert begin > slip(alone, drop)


def test_with_room_the_end_stays_where_it_is():
    zone = towards_end(STEEP, BAR, 1000e6, np.full(1, 5.0))
    begin, at_end = zone.slips(energy(300e6))
    assert at_end[0] == 0.0
    assert begin[0] == pytest.approx(slip(between_cracks(STEEP, BAR, FAR), 300e6), rel=1e-12)


@given(st.floats(0.02, 2.0))
def test_more_pull_slips_further(room: float):
    """At the face as at the end, in any room."""
    for zone in (
        towards_end(STEEP, BAR, 1000e6, np.full(60, room)),
        between_cracks(STEEP, BAR, np.full(60, room)),
    ):
        found, at_end = zone.slips(BAR.give * np.linspace(0, 900e6, 60) ** 2 / 2)
        assert np.all(np.diff(found) > -1e-12)
        assert np.all(np.diff(at_end) > -1e-12)


def test_rooms_are_looked_up_one_by_one():
    rooms = np.array([0.05, 0.2, np.inf])
    zone = between_cracks(STEEP, BAR, rooms)
    found = zone.slips(np.full(3, energy(500e6)[0]))[0]
    alone = [slip(between_cracks(STEEP, BAR, rooms[i : i + 1]), 500e6) for i in range(3)]
    assert found.tolist() == pytest.approx(alone, rel=1e-12)
    assert found[0] < found[1] < found[2] * (1 + 1e-12)
