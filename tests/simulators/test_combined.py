"""Disturbances together: the same frames however they are read, put back, or taken up again."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Awaitable, Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import DeviceError
from rig.ports import Rig
from simulators.disturbances import (
    Chill,
    Dips,
    Emptied,
    Failing,
    Falling,
    GivesWay,
    Opened,
    Rubbing,
    Torn,
    Uneven,
    Walking,
    Warmth,
    Yielding,
)
from simulators.faults import Drifting, Flat, InLoop, Missing, Restarted
from simulators.spoiled import (
    Gaps,
    Hum,
    Leaning,
    Noisy,
    OutOfTravel,
    Shifted,
    Slipping,
    Spiking,
)
from tests.simulators.driving import CHANNELS, Script, drive, play, setup
from tests.simulators.test_simulated_rig import script

TOTAL = 3300
BY_AND_BY = (
    Warmth(400, 2500, 5.0, 3000, 300, 3e-6, 2e-6, 2e-3),
    Chill(900, 20e-6),
    Yielding("net", 500, 700, 30e-6),
    Yielding("left", 600, 700, 30e-6),
    Walking(700, 900, 0.01),
    Opened(1111, 0.03),
    Torn(1300, 2, 333),
    Failing(900, 60.0, 0.4),
    Rubbing(800, 1700, 150, 0.05),
    Falling("amplitude", 950, 2100, 200, 0.9),
    Dips(600, 3000, 300, 77, 0.9),
    Falling("bandwidth", 1000, 1900, 211, 0.7),
    Uneven(880, 1600, 0.02),
    Falling("flow", 1100, 1500, 100, 0.4),
    Emptied(2000),
    GivesWay(2700),
)
SOON = tuple(d for d in BY_AND_BY if not isinstance(d, Torn))
"""Without what takes a second of mechanics first."""
SPOILED = (
    Noisy("midspan", 500, 1900, 5e-6),
    Shifted("support_left", 1000, 1700, 10e-6),
    Spiking("load", 300, 2900, 200, 5e3),
    Hum("load", 700, 2500, 60.0, 300.0),
    Gaps("midspan", 400, 2600, 150, 3),
    Slipping("midspan", 900, 5.0, 4e-6),
    OutOfTravel("support_left", 1200, 2000, 1e-4),
    Leaning("midspan", 1500, 2100, 30e-6),
)
FAULTS = (
    Missing("midspan", 600, 640),
    Flat("support_left", 900, 1300),
    InLoop(Drifting("load", 1900, 2400, 50.0)),
    Restarted(3100),
)
CUTS = st.lists(
    st.integers(40, 900).flatmap(lambda r: st.tuples(st.just(r), st.integers(30, r))),
    min_size=1,
    max_size=4,
)


def todo_until(frame: int) -> Script:
    """Return what is asked of the rig until a frame; what it cannot do any more it refuses."""

    def asked(act: Callable[[Rig], Awaitable[None]]) -> Callable[[Rig], Awaitable[None]]:
        async def ask(rig: Rig) -> None:
            with contextlib.suppress(DeviceError):
                await act(rig)

        return ask

    return [(at, asked(act)) for at, act in script(4.0) if at < frame]


def played(
    cuts: list[tuple[int, int]], disturbances: Any, spoiled: Any, faults: Any, seed: int = 1
) -> np.ndarray:
    """Return the frames of a short life with pauses, correction, water and what disturbs it."""
    made = setup(
        channels=CHANNELS,
        exposure="spray",
        life_scale=2e-4,
        wet_factor=10.0,
        disturbances=disturbances,
        spoiled=spoiled,
        faults=faults,
    )
    todo = todo_until(TOTAL)
    return drive(made, lambda rig: play(rig, todo, cuts, TOTAL), seed)


@pytest.mark.parametrize(
    ("disturbances", "faults", "block"),
    [
        (SOON, (), 40),
        pytest.param(BY_AND_BY, (), 4, marks=pytest.mark.nights),
        pytest.param(BY_AND_BY, FAULTS, 4, marks=pytest.mark.nights),
    ],
    ids=["short blocks", "ticks", "with faults"],
)
def test_all_of_them_at_once_give_the_same_frames_in_short_blocks_as_in_long_ones(
    disturbances, faults, block
):
    reference = played([(1000, 1000)], disturbances, SPOILED, faults)
    short = played([(block, block)], disturbances, SPOILED, faults)
    assert short.tobytes() == reference.tobytes()
    assert reference.tobytes() != played([(1000, 1000)], (), (), faults).tobytes()


@pytest.mark.endurance
@given(
    by_and_by=st.lists(st.sampled_from(BY_AND_BY), max_size=6),
    spoiled=st.lists(st.sampled_from(SPOILED), max_size=4),
    faults=st.lists(st.sampled_from(FAULTS), max_size=2, unique=True),
    cuts=CUTS,
)
def test_any_of_them_give_the_same_frames_however_they_are_read(by_and_by, spoiled, faults, cuts):
    drawn = (tuple(by_and_by), tuple(spoiled), tuple(faults))
    reference = played([(200, 200)], *drawn)
    assert played(cuts, *drawn).tobytes() == reference.tobytes()


@pytest.mark.nights
def test_the_same_seed_gives_the_same_bits_and_another_seed_does_not():
    one, two, other = (
        played([(900, 900)], BY_AND_BY[9:13], SPOILED, (), seed) for seed in (3, 3, 4)
    )
    assert one.tobytes() == two.tobytes()
    assert one.tobytes() != other.tobytes()


@pytest.mark.parametrize(
    ("disturbances", "at"),
    [(SOON[:-1], 1234), pytest.param(BY_AND_BY[:-1], 2222, marks=pytest.mark.nights)],
)
def test_a_rig_taken_up_in_the_midst_of_all_of_them_goes_on_as_it_would_have(disturbances, at):
    made = setup(channels=CHANNELS, exposure="spray", disturbances=disturbances, spoiled=SPOILED)
    todo = todo_until(at)

    async def job(rig: Rig) -> tuple[str, np.ndarray]:
        await play(rig, todo, [(300, 200)], at)
        kept = json.dumps(rig.acquisition.snapshot())  # type: ignore[attr-defined]
        return kept, await play(rig, [], [(300, 300)], 900)

    kept, expected = drive(made, job)

    async def again(rig: Rig) -> np.ndarray:
        rig.acquisition.restore(json.loads(kept))  # type: ignore[attr-defined]
        return await play(rig, [], [(170, 60)], 900)

    assert drive(made, again).tobytes() == expected.tobytes()
