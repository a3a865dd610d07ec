"""The post beside the line: it sees each frame once, in order, and its stop goes out."""

from __future__ import annotations

import asyncio
import threading
from itertools import pairwise

import numpy as np
import pytest

from drivers.acquisition import FrameAcquisition
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.protocol.wire import Source
from rig.samples import SampleBlock
from tests.drivers.acquiring import blocks, expected, holes, opened, plugged, until
from tests.drivers.sample_device import (
    NAMES,
    RATE,
    StreamingDevice,
    channels_of,
    port_plan,
    sources,
)


class Sentry:
    """Remembers what it sees; says stop from one frame to another."""

    def __init__(self, stops: range = range(0)) -> None:
        self.seen: list[SampleBlock] = []
        self.threads: set[str] = set()
        self.stops = stops

    def glance(self, block: SampleBlock) -> bool:
        self.seen.append(block)
        self.threads.add(threading.current_thread().name)
        return any(n in self.stops for n in range(block.first, block.end))


async def test_the_post_sees_each_frame_once_in_order_in_the_line_s_thread() -> None:
    with plugged(StreamingDevice(leaves_out=holes)) as device:
        async with opened(device.path) as acquisition:
            sentry = Sentry()
            acquisition.post.stand(sentry.glance)
            read = await blocks(acquisition, 7)
            acquisition.post.stand(None)
            seen = list(sentry.seen)
            await blocks(acquisition, 2)
            assert len(sentry.seen) == len(seen)
        for before, after in pairwise(seen):
            assert after.first == before.end
        whole = np.concatenate([block.values for block in seen], axis=1)
        begin = read.first - seen[0].first
        np.testing.assert_array_equal(whole[:, begin : begin + read.frames], read.values)
        assert np.isnan(read.values).any()
        assert sentry.threads == {"line samples"}
        assert {block.channels for block in seen} == {NAMES}


async def test_the_stop_is_given_in_the_line_s_thread_once_a_trip() -> None:
    stopped: list[str] = []
    with plugged(StreamingDevice()) as device:
        async with opened(
            device.path, on_stop=lambda: stopped.append(threading.current_thread().name)
        ) as acquisition:
            begin = device.number + 100
            sentry = Sentry(range(begin, begin + 50))
            acquisition.post.stand(sentry.glance)
            await until(lambda: sentry.seen and sentry.seen[-1].end > begin + 100)
            assert stopped == ["line samples"]
            sentry.stops = range(begin, begin + 10**6)  # a second trip
            await until(lambda: len(stopped) == 2)
            acquisition.post.stand(sentry.glance)  # whoever comes anew has seen no trip yet
            await until(lambda: len(stopped) == 3)


async def test_a_stop_that_cannot_be_given_is_tried_again_and_told() -> None:
    tries: list[int] = []

    def stop() -> None:
        tries.append(len(tries))
        if len(tries) < 3:
            raise DeviceError('port "servo" takes nothing')

    with plugged(StreamingDevice()) as device:
        async with opened(device.path, on_stop=stop) as acquisition:
            sentry = Sentry(range(10**6))
            acquisition.post.stand(sentry.glance)
            await until(lambda: len(tries) == 3)
            seen = len(sentry.seen)
            await until(lambda: len(sentry.seen) > seen + 10)
            assert len(tries) == 3
            told = [text for text in acquisition.told() if "could not be closed" in text]
            assert len(told) == 2
            await blocks(acquisition, 2)


async def test_a_stop_that_has_not_gone_out_is_tried_again_whatever_is_seen_then() -> None:
    # As the controller's `shut_now` says it, and with a look that calls for a stop but once.
    tries: list[int] = []

    def stop() -> bool:
        tries.append(len(tries))
        return len(tries) == 3

    with plugged(StreamingDevice()) as device:
        async with opened(device.path, on_stop=stop) as acquisition:
            begin = device.number + 50
            sentry = Sentry(range(begin, begin + 1))
            acquisition.post.stand(sentry.glance)
            await until(lambda: len(tries) == 3)
            seen = len(sentry.seen)
            await until(lambda: len(sentry.seen) > seen + 30)
            assert len(tries) == 3


async def test_a_look_that_fails_closes_the_valve_and_ends_the_reading() -> None:
    stopped: list[bool] = []

    def look(block: SampleBlock) -> bool:
        raise KeyError(block.channels[0])

    with plugged(StreamingDevice()) as device:
        async with opened(device.path, on_stop=lambda: stopped.append(True)) as acquisition:
            await blocks(acquisition, 1)
            acquisition.post.stand(look)
            await until(lambda: stopped)
            with pytest.raises(DeviceError, match="look at arriving samples failed: KeyError"):
                await blocks(acquisition, 50)
            assert stopped == [True]


async def test_two_ports_come_to_the_time_base_of_the_load() -> None:
    """Each shows its own count; the difference of the two stays what it was at the beginning."""
    names = ("midspan", "load", "support_left")
    of = {
        "b": (Source("midspan", "b", 1, sources()[0].scaling),),
        "a": (
            Source("load", "a", 1, sources()[0].scaling),
            Source("support_left", "a", 3, sources()[0].scaling),
        ),
    }
    both = (StreamingDevice(channels=1, first=70_000), StreamingDevice(first=1000))
    with plugged(both[0]) as other, plugged(both[1]) as lead:
        acquisition = FrameAcquisition(
            of,
            [port_plan(other.path, "b"), port_plan(lead.path, "a")],
            channels_of(names),
            RATE,
            SystemClock(),
        )
        sentry = Sentry()
        try:
            await acquisition.open()
            acquisition.post.stand(sentry.glance)
            block = await blocks(acquisition, 8)
            assert block.first > 1000
            rows = expected(SampleBlock(block.first, RATE, NAMES, block.values))
            np.testing.assert_array_equal(block.of("load"), rows[0])
            np.testing.assert_array_equal(block.of("support_left"), rows[2])
            ahead = block.of("midspan") - block.of("load")
            assert not np.isnan(ahead).any()
            # Both began within the time of this test, and neither clock jumps.
            assert np.ptp(ahead) < 20
            assert [report.port for report in acquisition.report()] == ["a", "b"]
            seen = {block.channels for block in sentry.seen}
            assert seen == {("load", "support_left"), ("midspan",)}
            await asyncio.to_thread(other.close)
            await blocks(acquisition, 4)
            late = await blocks(acquisition, 2)
            assert np.isnan(late.of("midspan")).all()
            assert not np.isnan(late.of("load")).any()
        finally:
            await acquisition.close()
