"""Missing samples and lone spikes: flagged, bridged where short, counted from time where long."""

from __future__ import annotations

import numpy as np
import pytest

from rig.acquire.deflection import net_deflection
from rig.acquire.extract import ExtractionSetup, extract
from rig.channels import Channel
from rig.samples import Cycles, Flag, SampleArray, SampleBlock
from tests.acquire.rigs import CHANNELS, RATE, Sine, in_blocks, start

SINE = Sine(200, 20.5, noise=0.002)
MEASURED = ("load_max", "load_min", "deflection_max", "midspan_min", "stiffness", "energy")


def _long(rows: Cycles) -> np.ndarray:
    return (rows["flags"] & Flag.LONG_GAP) != 0


def flagged(values: SampleArray) -> dict[int, int]:
    rows = in_blocks(values, [1234, 2222], start())[1]
    return {i: int(f) for i, f in enumerate(rows["flags"]) if f}


def test_clean_noisy_cycles_carry_no_flag() -> None:
    assert flagged(Sine(200, 100, noise=0.01).values()) == {}
    assert flagged(Sine(23.4, 300, noise=0.01).values()) == {}


@pytest.mark.parametrize("channel", [0, 1, 2])
@pytest.mark.parametrize("at", [1085, 1110, 1160])
def test_a_gap_of_five_percent_is_bridged_and_used(channel: int, at: int) -> None:
    values = SINE.values()
    clean = in_blocks(values, [], start())[1]
    values[channel, at : at + 10] = np.nan
    rows = in_blocks(values, [], start())[1]
    hit = int(np.searchsorted(rows.begin, at, side="right")) - 1
    assert flagged(values) == {hit: Flag.GAP}
    assert len(rows) == len(clean)
    for name in MEASURED:
        assert rows[name][hit] == pytest.approx(clean[name][hit], rel=0.03)
        others = np.arange(len(rows)) != hit
        assert (rows[name][others] == clean[name][others]).all()


@pytest.mark.parametrize("length", [11, 15])
@pytest.mark.parametrize("channel", [0, 1, 2])
def test_a_gap_of_more_than_five_percent_is_not_judged(channel: int, length: int) -> None:
    values = SINE.values()
    values[channel, 1100 : 1100 + length] = np.nan
    rows = in_blocks(values, [], start())[1]
    hit = int(np.searchsorted(rows.begin, 1100, side="right")) - 1
    assert flagged(values) == {hit: Flag.LONG_GAP}
    judged = ("stiffness", "energy", "deflection_max", "deflection_min")
    assert all(np.isnan(rows[name][hit]) for name in judged)
    assert np.isnan(rows["load_max"][hit]) == (channel == 0)
    assert rows["frequency"][hit] == pytest.approx(5.0, rel=0.01)


@pytest.mark.parametrize("periods", [0.6, 1.0, 2.3, 7.8])
@pytest.mark.parametrize("at", [1000, 1075, 1120, 1180])
def test_cycles_in_a_long_gap_are_counted_from_time(periods: float, at: int) -> None:
    values = SINE.values()
    clean = in_blocks(values, [], start())[1]
    values[:, at : at + int(200 * periods)] = np.nan
    rows = in_blocks(values, [1111, 1500], start())[1]
    assert len(rows) == len(clean)
    assert (rows.begin[1:] == rows.end[:-1]).all()
    assert (np.diff(rows["time"]) > 0).all()
    assert (np.diff(rows.known) >= 0).all()
    assert set(rows.begin[~_long(rows)]) <= set(clean.begin)
    long = _long(rows)
    assert np.isnan(rows["load_max"][long]).all()
    assert not np.isnan(rows["load_max"][~long]).any()


@pytest.mark.parametrize("spc", [196.0, 204.0])
def test_cycles_in_a_long_gap_are_the_nearest_whole_number_of_periods(spc: float) -> None:
    """In the gap the cycles are 2 % shorter or longer than the last one that was seen."""
    period = np.where(np.arange(4000) < 1000, 200.0, spc)
    swing = np.sin(2 * np.pi * np.cumsum(1 / period) - 2)
    values = np.stack((8e3 + 6e3 * swing, 3e-4 + 2e-4 * swing, 0 * swing)).astype(np.float32)
    clean = in_blocks(values, [], start())[1]
    values[:, 1040 : 1040 + int(4.5 * spc)] = np.nan
    rows = in_blocks(values, [], start())[1]
    assert np.count_nonzero(_long(rows)) == 6
    assert len(rows) == len(clean)


@pytest.mark.parametrize("jump", [-1e6, -4000.0, 4000.0, 1e6])
@pytest.mark.parametrize("at", [1064, 1066, 1110, 1163, 1164])
def test_a_lone_spike_of_load_neither_counts_nor_moves_levels_nor_extremes(
    jump: float, at: int
) -> None:
    values = SINE.values()
    clean = in_blocks(values, [], start())[1]
    values[0, at] += jump
    rows = in_blocks(values, [1064, 1065], start())[1]
    hit = int(np.searchsorted(rows.begin, at, side="right")) - 1
    assert len(rows) == len(clean)
    assert flagged(values) == {hit: Flag.SPIKE | Flag.LOAD_SPIKE}
    for name in MEASURED:
        assert rows[name][hit] == pytest.approx(clean[name][hit], rel=0.02)


@pytest.mark.parametrize("jump", [-3e-4, 3e-4])
def test_a_lone_spike_of_deflection_is_no_extreme(jump: float) -> None:
    values = SINE.values()
    clean = in_blocks(values, [], start())[1]
    values[1, 1150] += jump
    rows = in_blocks(values, [], start())[1]
    assert list(flagged(values).values()) == [Flag.SPIKE]
    np.testing.assert_allclose(rows["deflection_max"], clean["deflection_max"], rtol=0.01)
    np.testing.assert_allclose(rows["midspan_min"], clean["midspan_min"], rtol=0.03)


def test_two_samples_that_jump_together_are_no_lone_spike() -> None:
    values = SINE.values()
    values[1, 1150:1152] += 3e-4
    assert flagged(values) == {}


@pytest.mark.parametrize("channel", [1, 2])
@pytest.mark.parametrize("jump", [-1e-3, 1e-3])
def test_a_lone_spike_in_a_cycles_first_sample_is_no_extreme(channel: int, jump: float) -> None:
    values = Sine(200.3, 12, noise=0.001).values()
    clean = in_blocks(values, [], start())[1]
    values[channel, clean.begin[5]] += jump
    rows = in_blocks(values, [], start())[1]
    assert np.count_nonzero(rows["flags"] & Flag.SPIKE) == 1
    for name in ("deflection_max", "deflection_min", "stiffness", "energy"):
        np.testing.assert_allclose(rows[name], clean[name], rtol=0.02)


@pytest.mark.parametrize("jump", [-2e-4, 2e-4])
def test_a_lone_spike_of_a_watching_channel_is_no_extreme_of_it(jump: float) -> None:
    """A crack gauge takes no part in load and deflection, and is judged by nobody else."""
    setup = ExtractionSetup((*CHANNELS, Channel("crack_opening", "m", 1e-7, -1e-3, 1e-3)), RATE)
    signals = SINE.values()
    crack = (1e-4 + 2e-5 * np.sin(SINE.angle)).astype(np.float32)
    crack[1150] += np.float32(jump)
    values = np.concatenate((signals, crack[None]))
    block = SampleBlock(0, RATE, setup.names, values)
    rows = extract(setup, start(), block, net_deflection(block))[1]
    assert np.count_nonzero(rows["flags"]) == np.count_nonzero(rows["flags"] & Flag.SPIKE) == 1
    assert rows["crack_opening_max"] == pytest.approx(1.2e-4, abs=1e-6)
    assert rows["crack_opening_min"] == pytest.approx(0.8e-4, abs=1e-6)
