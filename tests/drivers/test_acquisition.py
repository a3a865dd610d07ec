"""Samples over real pseudo-terminals: blocks, threads, the post, what is lost and what is not."""

from __future__ import annotations

import asyncio
import os
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from drivers.acquisition import FrameAcquisition
from rig.channels import Channel
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.ports import Acquisition, Post
from rig.protocol.wire import Source
from rig.samples import SampleBlock
from tests.drivers.sample_device import (
    ASKED,
    NAMES,
    RATE,
    PtyDevice,
    StreamingDevice,
    channels_of,
    info,
    port_plan,
    sample,
    sources,
    stream,
    values_of,
)


class FourfoldClock(SystemClock):
    """Four seconds in one: what gives up after seconds is waited for less long."""

    def now(self) -> float:
        return super().now() * 4

    async def sleep(self, seconds: float) -> None:
        await super().sleep(seconds / 4)


@contextmanager
def plugged(device: StreamingDevice) -> Iterator[StreamingDevice]:
    try:
        yield device
    finally:
        device.close()


@asynccontextmanager
async def opened(
    path: str,
    *,
    reopen: bool = True,
    on_stop: Callable[[], object] | None = None,
    clock: SystemClock | None = None,
) -> AsyncIterator[FrameAcquisition]:
    """Give an open acquisition of one port."""
    plan = port_plan(path, reopen=reopen)
    acquisition = FrameAcquisition(
        {"samples": sources()},
        (plan,),
        channels_of(),
        RATE,
        clock or SystemClock(),
        on_stop=on_stop,
    )
    try:
        await acquisition.open()
        yield acquisition
    finally:
        await acquisition.close()


async def blocks(acquisition: FrameAcquisition, count: int, frames: int = 20) -> SampleBlock:
    """Read and keep blocks one after the other, and return them as one."""
    parts = []
    for _ in range(count):
        parts.append(await acquisition.read(frames))
        await acquisition.keep(frames)
    for before, after in pairwise(parts):
        assert after.first == before.end
    values = np.concatenate([part.values for part in parts], axis=1)
    return SampleBlock(parts[0].first, parts[0].rate, parts[0].channels, values)


def expected(
    block: SampleBlock, missing: Callable[[int], bool] = lambda _number: False
) -> np.ndarray:
    """Return what the test device measured in the frames of a block."""
    rows = [
        [np.nan] * len(block.channels) if missing(n) else values_of(n)[: len(block.channels)]
        for n in range(block.first, block.end)
    ]
    return np.array(rows, np.float32).T


def holes(number: int) -> bool:
    """Tell which frames get lost: one, three and thirty in each hundred."""
    return number % 100 in {5, 20, 21, 22, *range(50, 80)}


async def to_the_end(acquisition: FrameAcquisition, last: SampleBlock) -> tuple[SampleBlock, str]:
    """Read until there is nothing more; return the last block and why."""
    try:
        while True:
            block = await acquisition.read(20)
            await acquisition.keep(block.frames)
            assert block.first == last.end
            last = block
    except DeviceError as error:
        return last, str(error)


async def until(happened: Callable[[], object]) -> None:
    """Wait for what another thread does."""
    give_up = time.monotonic() + 20
    while not happened():
        assert time.monotonic() < give_up
        await asyncio.sleep(0.005)


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


async def test_missing_frames_are_nan_and_frames_never_jump() -> None:
    with plugged(StreamingDevice(leaves_out=holes)) as device:
        async with opened(device.path) as acquisition:
            block = await blocks(acquisition, 10)
            np.testing.assert_array_equal(block.values, expected(block, holes))
            dropped = acquisition.report()[0].dropped
            assert dropped >= np.isnan(block.values[0]).sum() > 60
            assert any("are missing" in text for text in acquisition.told())


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


async def test_a_device_that_begins_anew_ends_the_reading_after_what_came_before() -> None:
    with plugged(StreamingDevice(first=9000)) as device:
        async with opened(device.path) as acquisition:
            block = await blocks(acquisition, 3)
            device.begin_anew()
            last, why = await to_the_end(acquisition, block)
            assert "begun anew" in why
            assert "its frames do not go on" in why
            np.testing.assert_array_equal(last.values, expected(last))
            with pytest.raises(DeviceError, match="begun anew"):
                await acquisition.read(20)
            assert any("begun anew" in text for text in acquisition.told())


async def test_a_device_that_begins_anew_before_anybody_reads_is_read_from_there() -> None:
    """Many boards begin anew whenever their port is opened."""
    with plugged(StreamingDevice(first=9000)) as device:
        async with opened(device.path) as acquisition:
            device.begin_anew()
            told = list[str]()
            await until(lambda: told.extend(acquisition.told()) or told)
            block = await blocks(acquisition, 3)
            assert block.first < 9000
            np.testing.assert_array_equal(block.values, expected(block))


class Plug:
    """A symbolic link to the device that is plugged in now."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def into(self, device: PtyDevice) -> None:
        new = self.path.with_suffix(".new")
        new.symlink_to(device.path)
        new.rename(self.path)


async def test_an_unplugged_line_without_reopening_is_told_at_once(tmp_path: Path) -> None:
    plug = Plug(tmp_path / "samples")
    device = StreamingDevice()
    plug.into(device)
    try:
        async with opened(str(plug.path), reopen=False) as acquisition:
            await blocks(acquisition, 2)
            plug.path.unlink()
            await asyncio.to_thread(device.close)
            with pytest.raises(DeviceError, match="unplugged or has failed"):
                await blocks(acquisition, 50)
            (report,) = acquisition.report()
            assert "unplugged" in report.trouble
    finally:
        if device.master >= 0:
            device.close()


@pytest.mark.parametrize("went_on", [True, False])
async def test_an_unplugged_line_goes_on_only_with_a_device_that_has(
    tmp_path: Path, went_on: bool
) -> None:
    plug = Plug(tmp_path / "samples")
    first = StreamingDevice(first=5000)
    plug.into(first)
    second = None
    try:
        async with opened(str(plug.path)) as acquisition:
            before = await blocks(acquisition, 5)
            plug.path.unlink()
            await asyncio.to_thread(first.close)
            # What it counted meanwhile: the time that the new terminal takes to be there.
            second = StreamingDevice(first=first.number + 300 if went_on else 0)
            plug.into(second)
            if not went_on:
                with pytest.raises(DeviceError, match="begun anew"):
                    await blocks(acquisition, 200)
                return
            after = await blocks(acquisition, 1)
            assert after.first == before.end
            gaps, whole = 0, False
            while not (gaps and whole):
                there = ~np.isnan(after.values)
                np.testing.assert_array_equal(after.values[there], expected(after)[there])
                gaps, whole = gaps + (~there[0]).sum(), there.all()
                after = await blocks(acquisition, 1)
            assert acquisition.report()[0].dropped >= gaps > 0
            assert not np.isnan((await blocks(acquisition, 5)).values).any()
            told = " ".join(acquisition.told())
            assert "unplugged" in told
            assert "is back" in told
    finally:
        for device in (first, second):
            if device is not None and device.master >= 0:
                await asyncio.to_thread(device.close)


async def test_samples_that_nobody_reads_for_a_minute_are_a_fault() -> None:
    """At 10 frames a second, so that a minute of them is sent at once."""

    def some(numbers: range) -> bytes:
        return b"".join(sample(n, values_of(n), n * 100_000) for n in numbers)

    device = PtyDevice()
    acquisition = FrameAcquisition(
        {"samples": sources()}, [port_plan(device.path)], channels_of(), 10.0, SystemClock()
    )
    opening = info(8, rate=10.0) + some(range(10))
    sending = threading.Timer(0.05, device.send, [opening])
    sending.start()
    try:
        await acquisition.open()
        reading = asyncio.ensure_future(acquisition.read(1))
        await asyncio.sleep(0)
        device.send(some(range(10, 11)))
        await reading
        await acquisition.keep(1)
        # A minute of frames waits, and is read; half a minute's at the most at once.
        device.send(some(range(11, 611)))
        await until(lambda: acquisition.report()[0].good == 612)
        for frames in (300, 299):
            block = await acquisition.read(frames * (1 + (frames == 300)))
            assert block.frames == frames
            await acquisition.keep(frames)
        device.send(some(range(611, 1300)))
        await until(lambda: acquisition.report()[0].good == 1301)
        last, why = await to_the_end(acquisition, block)
        assert "has not read the samples of 60 s" in why
        assert 610 <= last.end <= 1210  # a minute's, and none of the batch that was too much
    finally:
        sending.join()
        await acquisition.close()
        device.close()


# ---- opening


async def test_a_port_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(DeviceError) as raised:
        async with opened(str(tmp_path / "nothing")):
            pass
    assert str(raised.value).startswith(f'port "samples" ({tmp_path}/nothing): there is no such')
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize(
    ("bytes_sent", "said"),
    [
        (b"", "nothing comes; is it switched on, are receive and transmit crossed?"),
        (
            b"\xf8\x80\x00\xe6" * 20,
            "bytes come but no frame fits; 921600 baud in the rig file; "
            "is that the device's speed?",
        ),
    ],
    ids=["silence", "noise"],
)
async def test_a_line_that_says_nothing_to_us_is_given_up_in_time(
    bytes_sent: bytes, said: str
) -> None:
    device = PtyDevice()
    ending = threading.Event()

    def send() -> None:
        while bytes_sent and not ending.wait(0.01):
            device.send(bytes_sent)

    thread = threading.Thread(target=send)
    thread.start()
    acquisition = FrameAcquisition(
        {"samples": sources()}, [port_plan(device.path)], channels_of(), RATE, FourfoldClock()
    )
    try:
        with pytest.raises(DeviceError) as raised:
            await acquisition.open()
        assert str(raised.value) == f'port "samples" ({device.path}): {said}'
    finally:
        ending.set()
        thread.join()
        device.close()


async def test_all_that_is_wrong_with_the_ports_is_told_together() -> None:
    with plugged(StreamingDevice(info_rate=500.0)) as device:
        acquisition = FrameAcquisition(
            {"a": sources(NAMES[:3], "a"), "b": sources(NAMES[3:], "b")},
            [port_plan(device.path, "a"), port_plan("/dev/null/nothing", "b")],
            channels_of(),
            RATE,
            SystemClock(),
        )
        with pytest.raises(DeviceError) as raised:
            await acquisition.open()
    first, second = sorted(str(raised.value).splitlines())
    assert first == (
        f'port "a" ({device.path}): the device samples at 500 Hz, the rig file says 1000 Hz; '
        "set one to the other"
    )
    assert second.startswith('port "b" (/dev/null/nothing): ')


async def test_a_device_that_waits_to_be_started_is_started() -> None:
    """The driver asks what it is, and sends "start" to one that says it and sends no samples."""
    device = PtyDevice()
    ending = threading.Event()
    heard = bytearray()

    def answer() -> None:
        number = 0
        while not ending.is_set():
            heard.extend(os.read(device.master, 100))
            if bytes.fromhex("07 10 02 82 61 15 e5 00") in heard:
                while not ending.wait(0.002):
                    device.send(b"".join(stream(range(number, number + 2))))
                    number += 2
                return
            if ASKED in heard:
                device.send(info(8))

    thread = threading.Thread(target=answer)
    thread.start()
    try:
        async with opened(device.path, clock=FourfoldClock()) as acquisition:
            block = await acquisition.read(20)
            np.testing.assert_array_equal(block.values, expected(block))
    finally:
        ending.set()
        thread.join()
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


# ---- the post


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


# ---- several ports


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


async def test_an_error_in_the_thread_of_a_line_is_told_to_who_reads(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with plugged(StreamingDevice()) as device:
        async with opened(device.path) as acquisition:
            await blocks(acquisition, 1)
            monkeypatch.setattr("drivers.sample_port.frames.values", lambda _bodies: 1 // 0)
            with pytest.raises(DeviceError, match=r"error in this program \(ZeroDivisionError"):
                await blocks(acquisition, 500)
            assert "ZeroDivisionError" in acquisition.report()[0].trouble
            assert any("ZeroDivisionError" in text for text in acquisition.told())
