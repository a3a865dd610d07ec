"""Samples: of the rig file's channels, in SI, one frame after the other without a jump."""

from __future__ import annotations

import math
import threading
from typing import Final

import numpy as np
import pytest

from drivers.contract.bench import Bench
from drivers.contract.place import promise
from drivers.contract.watch import BLOCK, Watch
from rig.channels import shown
from rig.errors import DeviceError
from rig.samples import SampleBlock

SIZES: Final = (1, 7, 20, 250)
"""Lengths of blocks [frames] that are asked for."""
REFUSALS: Final = (DeviceError, ValueError)
PACED_OVER: Final = 1.0
"""How long [s] frames are counted against the clock."""
SLOW_WITHIN: Final = 2.5
"""Time [s] in which the slow channels must have come: they do about once a second."""
STANDS: Final = 0.5
"""How long [s] the program stands still and reads nothing."""


async def _block(bench: Bench, frames: int) -> SampleBlock:
    acquisition = bench.rig.acquisition
    block = await bench.call(f"read({frames})", acquisition.read(frames))
    await bench.call(f"keep({block.frames})", acquisition.keep(block.frames))
    return block


async def test_it_serves_the_channels_of_the_rig_file(bench: Bench) -> None:
    """Channels and rate are those of the rig file, sampled ones in its order."""
    acquisition = bench.rig.acquisition
    promise(
        acquisition.rate == bench.plan.rate,
        f"it samples at {acquisition.rate:g} Hz, the rig file says {bench.plan.rate:g} Hz",
    )
    names = [c.name for c in acquisition.channels if not c.slow]
    wanted = [c.name for c in bench.plan.sampled]
    promise(names == wanted, f"its sampled channels are {names}, the rig file's {wanted}")
    slow = {c.name for c in acquisition.channels if c.slow}
    wanted_slow = {c.name for c in bench.plan.channels if c.slow}
    promise(slow == wanted_slow, f"its slow channels are {slow}, the rig file's {wanted_slow}")


async def test_blocks_have_their_form(bench: Bench) -> None:
    """A block is float32 of shape (channels, frames), with at most as many frames as asked."""
    for asked in SIZES:
        block = await _block(bench, asked)
        values = block.values
        promise(values.dtype == np.float32, f"its values are {values.dtype}, not float32")
        wanted = tuple(c.name for c in bench.plan.sampled)
        promise(block.channels == wanted, f"its channels are {block.channels}, not {wanted}")
        promise(
            values.shape[0] == len(wanted) and 1 <= block.frames <= asked,
            f"{asked} frames were asked for, its shape is {values.shape}",
        )
        promise(block.rate == bench.plan.rate, f"its rate is {block.rate:g} Hz")


async def test_frames_follow_each_other_without_a_hole(bench: Bench) -> None:
    """Each block begins with the frame after the last one, however long the blocks are."""
    end = (await _block(bench, 1)).end
    for asked in SIZES + SIZES[:-1]:
        block = await _block(bench, asked)
        promise(block.first == end, f"a block begins at frame {block.first} and not at {end}")
        end = block.end


async def test_a_block_is_kept_before_the_next_is_read(bench: Bench) -> None:
    """A second read without a keep is an error, and so is a keep of a part: it has happened."""
    acquisition = bench.rig.acquisition
    block = await bench.call("read", acquisition.read(10))
    await bench.refused("a second read", acquisition.read(10), *REFUSALS)
    more, fewer = block.frames + 1, block.frames - 1
    await bench.refused("keeping more than was read", acquisition.keep(more), *REFUSALS)
    await bench.refused("keeping a part of it", acquisition.keep(fewer), *REFUSALS)
    await bench.call("keep", acquisition.keep(block.frames))
    after = await _block(bench, 1)
    promise(after.first == block.end, "after a keep that was refused frames are lost")


async def test_frames_keep_pace_with_time(bench: Bench) -> None:
    """As many frames come as time passes: what is lost on the way is NaN, not left out."""
    await Watch(bench.rig, bench.clock).catch_up()
    began = bench.clock.now()
    first = end = (await _block(bench, 1)).end
    tick = max(round(bench.plan.rate * BLOCK), 1)
    while bench.clock.now() - began < PACED_OVER:
        end = (await _block(bench, tick)).end
    due = (bench.clock.now() - began) * bench.plan.rate
    promise(
        abs(end - first - due) <= 0.02 * due + 4 * tick,
        f"{end - first} frames came in the time of {due:.0f}",
    )


async def test_a_program_that_stands_still_finds_every_frame(bench: Bench) -> None:
    """Frames that nobody reads for half a second wait, in order and without a hole."""
    if bench.place.virtual:
        pytest.skip("in virtual time nothing stands still")
    await Watch(bench.rig, bench.clock).catch_up()
    end = (await _block(bench, 1)).end
    threading.Event().wait(STANDS)  # the event loop too: as when the computer is busy
    due = round(STANDS * bench.plan.rate)
    read = missing = 0
    while read < due:
        block = await _block(bench, due - read)
        promise(block.first == end, f"a block begins at frame {block.first} and not at {end}")
        missing += int(np.isnan(block.values).all(axis=0).sum())
        read, end = read + block.frames, block.end
    promise(missing <= due // 100, f"{missing} of {due} frames that waited are without values")


async def test_values_are_in_si(bench: Bench) -> None:
    """Every sampled channel has values, and they lie where its range says."""
    async with bench.watching(beating=False) as watch:
        await bench.pause(0.5)
        for channel in bench.plan.sampled:
            values = watch.last(channel.name, 0.4)
            promise(len(values) > 0, f"{channel.name} has no value")
            width = channel.high - channel.low
            low, high = float(values.min()), float(values.max())
            promise(
                channel.low - width <= low and high <= channel.high + width,
                f"{channel.name} reads {shown(channel.name, low, high)}, its range is "
                f"{shown(channel.name, channel.low, channel.high)}: in another unit?",
            )


async def test_slow_channels_have_their_names(bench: Bench) -> None:
    """Slow channels come by the rig file's names, in SI, NaN where there is no value."""
    wanted = {c.name: c for c in bench.plan.channels if c.slow}
    until = bench.clock.now() + SLOW_WITHIN
    while True:
        answer = await bench.call("acquisition.slow", bench.rig.acquisition.slow())
        promise(set(answer) == set(wanted), f"it names {sorted(answer)}, not {sorted(wanted)}")
        if all(map(math.isfinite, answer.values())) or bench.clock.now() > until:
            break
        await bench.pause(0.1)
    for name, value in answer.items():
        channel = wanted[name]
        width = channel.high - channel.low
        promise(
            math.isnan(value) or channel.low - width <= value <= channel.high + width,
            f"{name} reads {shown(name, value)}, its range is "
            f"{shown(name, channel.low, channel.high)}: in another unit?",
        )


async def test_frames_are_shown_the_moment_they_arrive(bench: Bench) -> None:
    """Where there is a post, it shows each frame once and in order, and ends where told."""
    post = bench.rig.post
    if post is None:
        pytest.skip("this rig shows samples only in blocks")
    seen: list[tuple[tuple[str, ...], int, int]] = []

    def glance(block: SampleBlock) -> bool:
        seen.append((block.channels, block.first, block.end))
        return False

    async with bench.watching(beating=False):
        post.stand(glance)
        await bench.pause(0.3)
        post.stand(None)
        await bench.pause(0.05)
        ended = len(seen)
        await bench.pause(0.15)
    promise(len(seen) == ended, "samples are still shown after it was ended")
    known = {c.name for c in bench.plan.sampled}
    ends: dict[tuple[str, ...], int] = {}
    for channels, first, end in seen:
        promise(set(channels) <= known, f"it shows {channels}, which the rig file does not know")
        promise(ends.get(channels, first) == first, f"frame {first} is shown out of order")
        ends[channels] = end
    shown_channels = {name for channels in ends for name in channels}
    promise(shown_channels == known, f"it shows {sorted(shown_channels)}, not {sorted(known)}")
