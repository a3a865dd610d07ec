"""Natural frequencies against closed forms and values derived apart from the module."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib import resources

import numpy as np
import pytest

from rig.mechanics.bending import load_point_flexibility
from rig.mechanics.frequency import (
    beam_frequency,
    first_frequency,
    generalised_mass,
    spring_frequency,
)
from rig.mechanics.rigidity import uncracked_rigidity
from rig.mechanics.specimen import Bar, Concrete, Section, Specimen, SteelLaw, Tendon
from rig.protocol.load import load_specimen

# Derived apart from the module, by integration of the static shape (four-point bending, uniform).
SHARES = ((1 / 3, 0.6638095, 0.5019354), (0.4, 0.5471866, 0.4929552), (0.45, 0.5015050, 0.4878592))


def beam(modulus: float = 35e9, tendons: tuple[Tendon, ...] = ()) -> Specimen:
    return Specimen(
        "invented",
        Section("rectangle", 0.300, 0.200, 0.200, 3.0, 1.0),
        Concrete(50e6, modulus, 3e6, 2400.0, "parabola-rectangle", 0.002, 0.0035),
        tendons,
    )


@pytest.mark.parametrize(("share", "point", "mid"), [*SHARES, (0.25, 0.9714286, 0.5138135)])
def test_the_generalised_mass_is_that_of_the_static_shape(
    share: float, point: float, mid: float
) -> None:
    assert generalised_mass(3.0, 3.0 * share) == pytest.approx(point, abs=6e-8)
    assert generalised_mass(3.0, 3.0 * share, midspan=True) == pytest.approx(mid, abs=6e-8)


def test_the_generalised_mass_is_that_of_a_shape_integrated_in_small_steps() -> None:
    span, a = 2.7, 0.61
    x = (np.arange(200_000) + 0.5) * (span / 2 / 200_000)
    shape = np.where(x < a, 3 * a * (span - a) * x - x**3, a * (3 * x * (span - x) - a**2))
    at_point = a * (3 * a * (span - a) - a**2)
    assert generalised_mass(span, a) == pytest.approx(np.mean((shape / at_point) ** 2), rel=1e-8)


def test_a_uniform_beam_swings_as_the_closed_form_says() -> None:
    """200 x 300 mm, E = 35 GPa, 144 kg/m, 3 m; computed apart from the module."""
    assert beam_frequency(35e9 * 4.5e-4, 144.0, 3.0) == pytest.approx(57.72134, abs=1e-5)


@pytest.mark.parametrize("frequency", [1.0, 7.5, 40.0])
def test_a_mass_on_a_spring_swings_with_the_frequency_it_was_made_for(frequency: float) -> None:
    mass = 120.0
    stiffness = mass * (2 * math.pi * frequency) ** 2
    assert spring_frequency(stiffness, mass) == pytest.approx(frequency, rel=1e-12)
    # As a mass that is let go in small steps: ten swings last ten times the reciprocal.
    step, x, v, crossings, t = 1e-5 / frequency, 1e-3, 0.0, [], 0.0
    for _ in range(200_000):
        v -= stiffness / mass * x * step
        before, x = x, x + v * step
        if before < 0 <= x:
            crossings.append(t + step * before / (before - x))
        t += step
    assert len(crossings) > 1
    assert 1 / (crossings[-1] - crossings[-2]) == pytest.approx(frequency, rel=1e-4)


def test_without_mass_nothing_swings() -> None:
    assert spring_frequency(1e6, 0.0) == math.inf


def test_a_beam_by_its_static_shape_swings_a_little_faster_than_exact_and_no_slower() -> None:
    """Rayleigh: an assumed shape gives an upper bound. Shear is in, which lowers it by 2 %."""
    found = first_frequency(beam(), 0.0)
    exact = beam_frequency(35e9 * 4.5e-4, 2400 * 0.06, 3.0)
    stiffness = 1 / load_point_flexibility(35e9 * 4.5e-4, 3.0, 1.0)
    by_shape = spring_frequency(stiffness, generalised_mass(3.0, 1.0) * 2400 * 0.06 * 3.0)
    assert exact < by_shape < 1.01 * exact
    assert 0.97 * by_shape < found < by_shape


def test_more_mass_and_a_softer_beam_swing_slower() -> None:
    assert first_frequency(beam(), 500.0) < first_frequency(beam(), 100.0)
    assert first_frequency(beam(modulus=25e9), 100.0) < first_frequency(beam(), 100.0)


def test_a_beam_with_tendons_swings_as_a_cracked_one() -> None:
    law = SteelLaw("bilinear", 1674e6, 1860e6, 0.035)
    tendon = Tendon(300e-6, 0.250, 195e9, "pre-tensioned", 1100e6, "no moment", law)
    assert first_frequency(beam(tendons=(tendon,)), 120.0) < first_frequency(beam(), 120.0)


def test_a_beam_with_bars_only_swings_as_a_cracked_one_too() -> None:
    """200 x 300 mm, 600 mm2 at 250 mm, 35 GPa, by hand: n = 200/35, b c2/2 = n A (d - c)."""
    bar = Bar(600e-6, 0.250, 200e9, 500e6)
    steel = 200 / 35 * 600e-6
    c = (math.sqrt(steel**2 + 2 * 0.2 * steel * 0.250) - steel) / 0.2
    inertia = 0.2 * c**3 / 3 + steel * (0.250 - c) ** 2
    # Bending alone at the load points: 5 P L3 / 162 EI for thirds of the span, F = 2 P.
    stiffness = 2 * 162 * 35e9 * inertia / (5 * 3.0**3)
    mass = 120.0 + 0.6638095 * 144.0 * 3.0
    by_hand = math.sqrt(stiffness / mass) / (2 * math.pi)
    found = first_frequency(replace(beam(), bars=(bar,)), 120.0)
    assert 0.98 * by_hand < found < by_hand  # shear is in as well
    assert found < 0.6 * first_frequency(beam(), 120.0)


def test_bars_beside_tendons_stiffen_a_cracked_beam():
    law = SteelLaw("bilinear", 1674e6, 1860e6, 0.035)
    tendon = Tendon(300e-6, 0.250, 195e9, "pre-tensioned", 1100e6, "no moment", law)
    bar = Bar(600e-6, 0.250, 200e9, 500e6)
    alone = beam(tendons=(tendon,))
    # Of the same depth: as one layer of all that steel.
    together = beam(tendons=(replace(tendon, area=(300 + 600 * 200 / 195) * 1e-6),))
    found = first_frequency(replace(alone, bars=(bar,)), 50.0)
    assert found == pytest.approx(first_frequency(together, 50.0), rel=1e-9)
    assert found > first_frequency(alone, 50.0)


def test_a_whole_beam_swings_faster_than_a_cracked_one():
    """Uncracked: the transformed section over the closed form, shear lowers it by 2 %."""
    law = SteelLaw("bilinear", 1674e6, 1860e6, 0.035)
    tendon = Tendon(300e-6, 0.250, 195e9, "pre-tensioned", 1100e6, "no moment", law)
    specimen = beam(tendons=(tendon,))
    whole = first_frequency(specimen, 0.0, cracked=False)
    exact = beam_frequency(uncracked_rigidity(specimen), 2400 * 0.06, 3.0)
    assert 0.97 * exact < whole < 1.01 * exact
    assert first_frequency(specimen, 0.0) < 0.7 * whole


def test_the_shipped_plank_swings_at_ten_hertz_once_cracked_all_along() -> None:
    """By hand: n A = 195/37 * 416 mm2 at 115 mm, c = 25.6 mm, I = 2.09e7 mm4, 458.8 kg swing."""
    steel, width = 195 / 37 * 416e-6, 0.6
    c = (math.sqrt(steel**2 + 2 * width * steel * 0.115) - steel) / width
    inertia = width * c**3 / 3 + steel * (0.115 - c) ** 2
    stiffness = 2 * 162 * 37e9 * inertia / (5 * 3.0**3)
    by_hand = math.sqrt(stiffness / (0.6638095 * 2400 * 0.6 * 0.16 * 3.0)) / (2 * math.pi)
    assert by_hand == pytest.approx(10.1, abs=0.05)
    text = (resources.files("protocols") / "specimens" / "plank.toml").read_text(encoding="utf-8")
    found = first_frequency(load_specimen("plank.toml", lambda _path: text), 0.0)
    assert 0.995 * by_hand < found < by_hand  # shear is in as well


def test_every_shipped_specimen_has_a_frequency_that_a_beam_can_have() -> None:
    folder = resources.files("protocols") / "specimens"
    for entry in folder.iterdir():
        if entry.name.endswith(".toml"):
            text = entry.read_text(encoding="utf-8")
            specimen = load_specimen(entry.name, lambda _path, text=text: text)
            assert 5.0 < first_frequency(specimen, 100.0) < 500.0, entry.name
