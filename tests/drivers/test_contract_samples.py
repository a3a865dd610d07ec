"""The contract suite names drivers whose samples are not what they promise."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from drivers.contract import test_samples
from rig.ports import Rig
from tests.drivers.broken_rigs import Case, Changed


def jumps(rig: Rig) -> Rig:
    """Leave lost frames out instead of filling them up."""
    ahead = iter(range(1000))

    async def read(frames: int):
        block = await rig.acquisition.read(frames)
        return replace(block, first=block.first + next(ahead))

    return replace(rig, acquisition=Changed(rig.acquisition, read=read))


def in_micrometres(rig: Rig) -> Rig:
    """Forget the unit of a channel."""

    async def read(frames: int):
        block = await rig.acquisition.read(frames)
        values = block.values.copy()
        values[block.channels.index("midspan")] *= 1e6
        return replace(block, values=values)

    return replace(rig, acquisition=Changed(rig.acquisition, read=read))


def in_double(rig: Rig) -> Rig:
    async def read(frames: int):
        block = await rig.acquisition.read(frames)
        return replace(block, values=block.values.astype(np.float64))

    return replace(rig, acquisition=Changed(rig.acquisition, read=read))


def keeps_a_part(rig: Rig) -> Rig:
    held = []

    async def read(frames: int):
        held[:] = [await rig.acquisition.read(frames)]
        return held[0]

    async def keep(_frames: int) -> None:
        await rig.acquisition.keep(held[0].frames)

    return replace(rig, acquisition=Changed(rig.acquisition, read=read, keep=keep))


def drops_every_second_frame(rig: Rig) -> Rig:
    """Give half of the frames, numbered as if nothing had been lost."""
    given = [0]

    async def read(frames: int):
        block = await rig.acquisition.read(2 * frames)
        first, given[0] = given[0], given[0] + frames
        return replace(block, first=first, values=block.values[:, ::2])

    async def keep(frames: int) -> None:
        await rig.acquisition.keep(2 * frames)

    return replace(rig, acquisition=Changed(rig.acquisition, read=read, keep=keep))


def forgets_slow(rig: Rig) -> Rig:
    async def slow() -> dict[str, float]:
        return {}

    return replace(rig, acquisition=Changed(rig.acquisition, slow=slow))


def shows_out_of_order(rig: Rig) -> Rig:
    """Show each frame twice at the post."""
    glances: list[Any] = [None]

    async def read(frames: int):
        block = await rig.acquisition.read(frames)
        for _ in range(2):
            if glances[0] is not None:
                glances[0](block)
        return block

    post = Changed(None, stand=lambda glance: glances.__setitem__(0, glance))
    return replace(rig, acquisition=Changed(rig.acquisition, read=read), post=post)


CASES = [
    Case(jumps, test_samples.test_frames_follow_each_other_without_a_hole, "a block begins at"),
    Case(in_double, test_samples.test_blocks_have_their_form, "float64, not float32"),
    Case(in_micrometres, test_samples.test_values_are_in_si, "in another unit"),
    Case(
        keeps_a_part,
        test_samples.test_a_block_is_kept_before_the_next_is_read,
        "more than was read was not refused",
    ),
    Case(drops_every_second_frame, test_samples.test_frames_keep_pace_with_time, "came in the"),
    Case(
        forgets_slow, test_samples.test_slow_channels_have_their_names, "it names", "simulated-full"
    ),
    Case(
        shows_out_of_order,
        test_samples.test_frames_are_shown_the_moment_they_arrive,
        "out of order",
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.wrong.__name__)
def test_what_samples_do_not_keep_is_named(case):
    case.is_named()
