"""Samples over real pseudo-terminals: blocks that follow each other, whatever else goes on."""

from __future__ import annotations

import asyncio
import threading
import time

import numpy as np
import pytest

from drivers.acquisition import FrameAcquisition
from rig.channels import Channel
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.ports import Acquisition, Post
from tests.drivers.acquiring import blocks, expected, opened, plugged, until
from tests.drivers.sample_device import (
    NAMES,
    RATE,
    PtyDevice,
    StreamingDevice,
    channels_of,
    info,
    port_plan,
    sources,
    stream,
)


async def test_blocks_are_the_device_s_own_frames_one_after_the_other() -> None:
    with plugged(StreamingDevice(first=123_456)) as device:
        async with opened(device.path) as acquisition:
            block = await blocks(acquisition, 10)
            assert block.first > 123_456
            assert block.frames == 200
            assert (block.rate, block.channels) == (RATE, NAMES)
            assert block.values.dtype == np.float32
            np.testing.assert_array_equal(block.values, expected(block))
            (report,) = acquisition.report()
            assert (report.who, report.bad, report.dropped) == ("test device", 0, 0)
            assert (report.skew, report.trouble) == (0.0, "")
            assert acquisition.emulated
            as_ports: tuple[Acquisition, Post, Post] = (acquisition, acquisition, acquisition.post)
            assert as_ports


@pytest.mark.nights
async def test_a_loop_that_stands_still_loses_nothing() -> None:
    with plugged(StreamingDevice()) as device:
        async with opened(device.path) as acquisition:
            before = await blocks(acquisition, 2)
            time.sleep(0.8)
            after = await blocks(acquisition, 45)
            assert after.first == before.end
            np.testing.assert_array_equal(after.values, expected(after))
            (report,) = acquisition.report()
            assert (report.bad, report.dropped) == (0, 0)


async def test_a_block_is_kept_whole_before_the_next_one_is_read() -> None:
    with plugged(StreamingDevice()) as device:
        async with opened(device.path) as acquisition:
            with pytest.raises(DeviceError, match="no block to keep"):
                await acquisition.keep(20)
            block = await acquisition.read(20)
            with pytest.raises(DeviceError, match="before the last one was kept"):
                await acquisition.read(20)
            with pytest.raises(DeviceError, match="19 of 20 frames cannot be kept"):
                await acquisition.keep(19)
            await acquisition.keep(20)
            assert (await acquisition.read(20)).first == block.end
            with pytest.raises(ValueError, match="at least one frame, not 0"):
                await acquisition.read(0)


async def test_the_first_block_begins_when_it_is_asked_for() -> None:
    with plugged(StreamingDevice()) as device:
        async with opened(device.path) as acquisition:
            await asyncio.sleep(0.2)
            number = device.number
            assert (await acquisition.read(20)).first >= number - 10


async def test_a_silent_stream_is_waited_for_and_a_wait_can_be_given_up() -> None:
    device = PtyDevice()
    sending = threading.Timer(0.05, lambda: device.send(info(8) + b"".join(stream(range(200)))))
    sending.start()
    try:
        async with opened(device.path) as acquisition:
            await until(lambda: acquisition.report()[0].good > 200)  # the info among them
            for _ in range(2):
                with pytest.raises(TimeoutError):
                    async with asyncio.timeout(0.05):
                        await acquisition.read(20)
            reading = asyncio.ensure_future(acquisition.read(20))
            await asyncio.sleep(0.01)
            device.send(b"".join(stream(range(200, 219))))
            await asyncio.sleep(0.05)
            assert not reading.done()
            device.send(b"".join(stream([219])))
            block = await reading
            np.testing.assert_array_equal(block.values, expected(block))
            assert (block.first, block.end) == (200, 220)
    finally:
        sending.join()
        device.close()


async def test_whoever_reads_when_the_ports_are_closed_is_told() -> None:
    with plugged(StreamingDevice()) as device:
        async with opened(device.path) as acquisition:
            reading = asyncio.ensure_future(acquisition.read(5000))
            await asyncio.sleep(0.01)
            await acquisition.close()
            with pytest.raises(DeviceError, match="closed"):
                await reading


async def test_slow_values_are_those_of_all_sources() -> None:
    slow = Channel("flow", "m3/s", 1e-6, 0, 1, slow=True)
    acquisition = FrameAcquisition(
        {"samples": sources()},
        [port_plan("/dev/none")],
        (*channels_of(), slow),
        RATE,
        SystemClock(),
        slow_sources=(lambda: {"flow": 1.0}, lambda: {"tank": 2.0}),
    )
    assert await acquisition.slow() == {"flow": 1.0, "tank": 2.0}
