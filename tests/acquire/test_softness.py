"""What a moving mass will make of cycles, before they begin."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rig.acquire.inertia import Inertia, inertia
from rig.acquire.softness import Way, gone, share_to_command

RANGE = 60e3  # [N]
STIFFNESS = 50e6  # [N/m]


def setup(mass: float = 120.0, frequency: float = 5.0) -> Inertia:
    return inertia(mass, 1000.0, frequency, RANGE, 0.1, 1e-5)


def ramp(*loads: float) -> tuple[np.ndarray, np.ndarray]:
    load = np.array(loads, np.float32)
    return load, (0.01 + load / STIFFNESS).astype(np.float32)


@pytest.mark.parametrize("share", [0.02, 0.1, 0.25])
def test_the_share_is_that_of_a_mass_on_a_spring(share: float) -> None:
    """A frequency of so many parts of the natural one: 1 - (f / f1)2, Newton's second law."""
    natural = math.sqrt(STIFFNESS / 120.0) / (2 * math.pi)
    way = gone(setup(), Way(), *ramp(2e3, 66e3, 6e3))
    found = share_to_command(setup(frequency=share * natural), way)
    assert found == pytest.approx(1 - share**2, rel=1e-4)


def test_it_is_the_way_from_the_highest_load_to_the_lowest_since_then() -> None:
    way = gone(setup(), gone(setup(), Way(), *ramp(2e3, 80e3, 70e3)), *ramp(60e3, 5e3, 9e3))
    assert way.top == pytest.approx((80e3, 0.01 + 80e3 / STIFFNESS))
    assert way.low == pytest.approx((5e3, 0.01 + 5e3 / STIFFNESS))


def test_a_rod_that_was_lifted_off_tells_nothing() -> None:
    way = gone(setup(), Way(), *ramp(80e3, 5e3))
    off = np.array([60.0, -50.0], np.float32), np.array([5e-3, 5e-3], np.float32)
    assert gone(setup(), way, *off) == way


def test_missing_samples_tell_nothing() -> None:
    load, stroke = ramp(1e3, 80e3, 90e3, 7e3, 5e3)
    stroke[2], load[4] = np.nan, np.nan
    way = gone(setup(), Way(), load, stroke)
    assert (way.top[0], way.low[0]) == (80e3, 7e3)
    assert gone(setup(), way, np.full(3, np.nan, np.float32), np.zeros(3, np.float32)) == way


def test_how_samples_are_cut_into_blocks_changes_nothing() -> None:
    load = np.random.default_rng(4).normal(40e3, 10e3, 200).round(-3).astype(np.float32)
    stroke = np.arange(200, dtype=np.float32)
    one, many = gone(setup(), Way(), load, stroke), Way()
    for begin in range(0, 200, 7):
        many = gone(setup(), many, load[begin : begin + 7], stroke[begin : begin + 7])
    assert many == one


@pytest.mark.parametrize(
    "way",
    [Way(), gone(setup(), Way(), *ramp(50e3)), gone(setup(), Way(), *ramp(50e3, 47e3))],
    ids=["nothing seen", "it stands at the top", "too short a way"],
)
def test_where_the_way_is_not_known_all_of_it_is_commanded(way: Way) -> None:
    assert share_to_command(setup(mass=1e6), way) == 1.0


def test_it_is_never_more_than_all_nor_less_than_may_be_corrected() -> None:
    way = gone(setup(), Way(), *ramp(2e3, 66e3, 6e3))
    assert share_to_command(setup(mass=-500.0), way) == 1.0
    assert share_to_command(setup(mass=1e6), way) == pytest.approx(0.9)
