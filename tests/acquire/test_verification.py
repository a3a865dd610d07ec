"""Load in motion held against a gauged dummy beam."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.acquire.verification import LEAST_CYCLES, LEAST_POINTS, static_line, verify
from rig.samples import Flag

PER_STRAIN = 4.0e8  # N for a strain of 1: 40 kN at 100 um/m
RANGE = 81e3  # N


def slow(noise: float = 0.0, seed: int = 1, slope: float = PER_STRAIN):
    """Load [N] and strain of three slow cycles to 90 kN, with noise of the strain."""
    rng = np.random.default_rng(seed)
    load = np.tile(np.concatenate((np.linspace(1e3, 90e3, 300), np.linspace(90e3, 1e3, 300))), 3)
    return load, 2e-5 + load / slope + noise * rng.standard_normal(len(load))


def moving(ratio: float, count: int = 400, noise: float = 0.0, seed: int = 2):
    """Ranges by cell [N] and gauge, frequency and flags of cycles whose cell shows a ratio."""
    rng = np.random.default_rng(seed)
    cell = np.full(count, RANGE * ratio) + noise * RANGE * rng.standard_normal(count)
    strain = np.full(count, RANGE / PER_STRAIN)
    return cell, strain, np.full(count, 4.998), np.zeros(count, np.uint16)


@given(ratio=st.floats(0.5, 2.0), sign=st.sampled_from([1.0, -1.0]))
def test_what_the_cell_shows_too_much_or_little_is_found(ratio, sign):
    line = static_line(*slow(slope=sign * PER_STRAIN))
    found = verify(line, *moving(ratio))
    assert found.difference == pytest.approx(ratio - 1, abs=1e-9)
    assert found.cell == pytest.approx(ratio * RANGE)
    assert found.beam == pytest.approx(RANGE)
    assert (found.cycles, found.frequency) == (400, pytest.approx(4.998))


def test_the_inertia_of_a_mass_shows_as_reckoned():
    # 120 kg at 1 mm amplitude and 5 Hz: 118.435253 N (F = F_cell - m a; peak acceleration
    # 2 pi^2 f^2 s, "Hydraulics and Sinusoidal Motion", hydraulicspneumatics.com).
    cell = 1 + 2 * 118.435253 / RANGE
    found = verify(static_line(*slow()), *moving(cell))
    assert found.difference == pytest.approx(0.0029243272, rel=1e-6)


def test_the_line_tells_its_slope_its_range_and_what_lies_off_it():
    line = static_line(*slow())
    assert line.slope == pytest.approx(PER_STRAIN)
    assert line.range == pytest.approx(89e3)
    assert line.scatter < 1e-9
    load, strain = slow()
    load[100] += 890.0
    assert static_line(load, strain).scatter == pytest.approx(0.01, rel=0.01)


def test_a_gauge_that_slips_bends_the_line_and_noise_does_not():
    load, strain = slow(noise=2e-6)
    noisy = static_line(load, strain)
    assert noisy.scatter > 0.02
    assert noisy.bend < 4e-3  # over 3 % of scatter
    # A tenth of the strain is missing at the top, more the higher it goes.
    slipped = static_line(load, strain * (1 - 0.1 * (load / load.max()) ** 2))
    assert slipped.bend > 0.01


def test_cycles_beyond_what_was_taught_are_told():
    load, strain = slow()
    line = static_line(load / 2, strain / 2)
    with pytest.raises(ValueError, match=r"go over 81 kN, and slow cycles have taught .* 44.5 kN"):
        verify(line, *moving(1.0))


def test_missing_samples_are_left_out():
    load, strain = slow()
    load[::7], strain[::11] = np.nan, np.nan
    assert static_line(load, strain).slope == pytest.approx(PER_STRAIN)
    cell, gauge, frequency, flags = moving(1.0)
    cell[3], gauge[5] = np.nan, np.nan
    assert verify(static_line(*slow()), cell, gauge, frequency, flags).cycles == 398


@pytest.mark.parametrize(
    "flag", [Flag.SHORT, Flag.GAP, Flag.LONG_GAP, Flag.AFTER_END, Flag.SPIKE, Flag.SPRAY | 1]
)
def test_doubtful_cycles_are_left_out(flag):
    cell, gauge, frequency, flags = moving(1.0)
    flags[:300], cell[:300] = int(flag), 2 * RANGE
    found = verify(static_line(*slow()), cell, gauge, frequency, flags)
    assert found.cycles == 100
    assert found.difference == pytest.approx(0.0, abs=1e-9)


def test_cycles_that_water_or_correction_marks_are_used():
    cell, gauge, frequency, flags = moving(1.0)
    flags[:] = int(Flag.SPRAY | Flag.CORRECTED)
    assert verify(static_line(*slow()), cell, gauge, frequency, flags).cycles == 400


def test_the_uncertainty_holds_about_nineteen_of_twenty_differences():
    inside = 0
    for seed in range(200):
        line = static_line(*slow(noise=3e-7, seed=seed))
        found = verify(line, *moving(1.004, count=60, noise=0.002, seed=1000 + seed))
        inside += abs(found.difference - 0.004) <= found.uncertainty
    assert 180 <= inside <= 200


@pytest.mark.parametrize(
    ("load", "strain", "said"),
    [
        (np.arange(10.0), np.arange(10.0), f"10 points of slow cycles, and {LEAST_POINTS}"),
        (np.arange(50.0), np.full(50, 1e-4), "the strain stays the same"),
        (np.full(50, np.nan), np.arange(50.0), "0 points"),
    ],
)
def test_slow_cycles_that_teach_nothing_are_told(load, strain, said):
    with pytest.raises(ValueError, match=said):
        static_line(load, strain)


def test_too_few_cycles_are_told():
    with pytest.raises(ValueError, match=f"49 cycles can be used, and {LEAST_CYCLES} are needed"):
        verify(static_line(*slow()), *moving(1.0, count=49))
