"""What is done to a channel's samples: there, for as long, as much as it says, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

from rig.channels import Channel
from rig.ports import Rig
from simulators.draws import BLOCK, Draws
from simulators.faults import Fault, Moved
from simulators.motion import NEVER
from simulators.spoiled import (
    Gaps,
    Hum,
    Leaning,
    Noisy,
    OutOfTravel,
    Shifted,
    Slipping,
    Spiking,
    Spoiled,
)
from tests.simulators.driving import contact, drive, fatigue, setup, take

BEGIN, END = 21000, 25000
"""Frames of device time within what is taken."""
FIRST, FRAMES = 20500, 6000
STEP = 1e-7
CHANNELS = (
    Channel("load", "N", 2.0, -20e3, 250e3, 20.0),
    Channel("midspan", "m", STEP, -5e-3, 5e-3, 2e-7),
)


def taken(*spoiled: Spoiled, faults: tuple[Fault, ...] = (), block: int = 1000) -> np.ndarray:
    """Return frames of steady cycling from FIRST on, shape (channels, frames)."""

    async def job(rig: Rig) -> np.ndarray:
        await fatigue(rig)
        await take(rig, 500)
        assert rig.acquisition.snapshot()["frame"] == FIRST  # type: ignore[attr-defined]
        return await take(rig, FRAMES, block)

    made = setup(channels=CHANNELS, tables=None, spoiled=spoiled, faults=faults)
    return drive(made, job)


@pytest.fixture(scope="module")
def plain() -> np.ndarray:
    """Return what is taken where nothing is spoiled."""
    return taken()


WITHIN = slice(BEGIN - FIRST, END - FIRST)


def added(plain: np.ndarray, *spoiled: Spoiled) -> np.ndarray:
    """Return what is shown too much of mid-span while it lasts; nothing else is touched."""
    got = taken(*spoiled)
    outside = np.ones(FRAMES, bool)
    outside[WITHIN] = False
    assert np.array_equal(got[0], plain[0])
    assert np.array_equal(got[1][outside], plain[1][outside])
    return got[1][WITHIN].astype(np.float64) - plain[1][WITHIN]


def test_noise_is_normal_and_of_its_deviation(plain):
    more = added(plain, Noisy("midspan", BEGIN, END, 20e-6))
    assert np.std(more) == pytest.approx(20e-6, rel=0.05)
    assert np.mean(np.abs(more) < 20e-6) == pytest.approx(0.683, abs=0.03)
    assert abs(np.corrcoef(more[1:], more[:-1])[0, 1]) < 0.05


@pytest.mark.parametrize("spoiled", [Hum("midspan", BEGIN, END, 60.0, 1e-6), Slipping])
def test_what_is_not_spoiled_stays_off_the_steps_however_samples_are_cut(spoiled):
    if spoiled is Slipping:
        spoiled = Slipping("midspan", BEGIN, 50.0, 3e-6)
    moved = (Moved("midspan", FIRST + 10, 0.4 * STEP),)
    long, short = (taken(spoiled, faults=moved, block=block) for block in (5000, 7))
    np.testing.assert_array_equal(long, short)
    off = long[1][: BEGIN - FIRST].astype(np.float64)[20:] / STEP
    assert np.abs(off - np.rint(off)).mean() == pytest.approx(0.4, abs=0.02)


def test_what_is_spoiled_still_comes_in_steps_of_the_resolution():
    got = taken(Noisy("midspan", BEGIN, END, 20e-6))[1].astype(np.float64)
    off = got / STEP - np.rint(got / STEP)
    assert np.abs(off).max() < 0.01


def test_hum_is_a_line_at_its_frequency(plain):
    more = added(plain, Hum("midspan", BEGIN, END, 50.0, 10e-6))
    spectrum = 2 * np.abs(np.fft.rfft(more)) / len(more)
    at = round(50.0 * len(more) / 200)
    assert spectrum[at] == pytest.approx(10e-6, rel=0.02)
    assert np.delete(spectrum, at).max() < 0.02 * 10e-6


def test_spikes_come_one_in_each_interval_up_and_down(plain):
    more = added(plain, Spiking("midspan", BEGIN, END, 100, 1e-3))
    false = np.abs(more) > 1e-4
    assert false.reshape(-1, 100).sum(axis=1).tolist() == [1] * 40
    sizes = more[false]
    assert np.abs(sizes).min() >= 0.74e-3
    assert np.abs(sizes).max() <= 1.26e-3
    assert 5 < np.sum(sizes > 0) < 35


def test_gaps_are_short_and_as_often_as_it_says(plain):
    more = added(plain, Gaps("midspan", BEGIN, END, 200, 3))
    missing = np.isnan(more)
    lengths = missing.reshape(-1, 200).sum(axis=1)
    assert set(lengths.tolist()) == {1, 2, 3}
    assert np.all(more[~missing] == 0)


def test_an_offset_lasts_as_long_as_it_says(plain):
    more = added(plain, Shifted("midspan", BEGIN, END, 30e-6))
    assert more == pytest.approx(30e-6, abs=STEP)


def test_a_leaning_person_swells_and_goes(plain):
    more = added(plain, Leaning("midspan", BEGIN, END, 40e-6))
    assert more.max() == pytest.approx(40e-6, abs=2 * STEP)
    assert np.argmax(more) == pytest.approx(2000, abs=100)
    assert np.abs(np.diff(more)).max() <= 3 * STEP


def test_nothing_is_shown_beyond_the_end_of_travel(plain):
    most = float(np.median(plain[1]))
    got = taken(OutOfTravel("midspan", BEGIN, END, most))[1]
    assert got[WITHIN].max() <= most + STEP
    below = plain[1][WITHIN] < most
    assert np.array_equal(got[WITHIN][below], plain[1][WITHIN][below])
    assert np.array_equal(got[: WITHIN.start], plain[1][: WITHIN.start])


def test_nothing_beyond_the_range_of_a_channel_is_shown():
    got = taken(Shifted("midspan", BEGIN, END, 1.0))[1]
    assert got[WITHIN].max() == np.float32(5e-3)


def test_a_sensor_slips_with_the_cycles_and_stays_where_it_slipped_to(plain):
    got = taken(Slipping("midspan", BEGIN, 10.0, 20e-6))
    more = (got[1].astype(np.float64) - plain[1])[500:]
    steps = np.flatnonzero(np.diff(more) > STEP)
    # 5500 frames are 110 cycles of 50 frames.
    assert len(steps) == pytest.approx(11, abs=1)
    assert np.diff(more)[steps] == pytest.approx(20e-6, abs=10.2e-6)
    assert np.diff(more).min() > -2 * STEP
    assert np.array_equal(got[1][:500], plain[1][:500])


def test_a_sensor_of_a_specimen_that_only_stands_does_not_slip():
    async def job(rig: Rig) -> np.ndarray:
        await contact(rig)
        return await take(rig, 8000)

    slipping = Slipping("midspan", 0, 1.0, 1e-3)
    quiet, slipped = (
        drive(setup(channels=CHANNELS, tables=None, spoiled=s), job) for s in ((), (slipping,))
    )
    assert np.array_equal(quiet, slipped)


def test_draws_belong_to_their_place_however_they_are_asked_for():
    draws = Draws(7, 1)
    whole = draws.normal(BLOCK - 50, 200)
    parts = [Draws(7, 1).normal(BLOCK - 50 + k, 10) for k in range(0, 200, 10)]
    assert np.array_equal(whole, np.concatenate(parts))
    for other in (Draws(8, 1), Draws(7, 2)):
        assert not np.array_equal(whole, other.normal(BLOCK - 50, 200))
    assert len(draws.uniform(5, 0)) == 0
    assert draws.uniform(0, 20000).mean() == pytest.approx(0.5, abs=0.01)


def test_what_lasts_for_ever_needs_no_end(plain):
    got = taken(Shifted("midspan", BEGIN, NEVER, 30e-6))[1]
    assert got[500:] - plain[1][500:] == pytest.approx(30e-6, abs=2 * STEP)
