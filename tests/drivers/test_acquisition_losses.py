"""Frames that go missing, devices that begin anew, lines that are unplugged or fail."""

from __future__ import annotations

import asyncio
import threading
from pathlib import Path

import numpy as np
import pytest

from drivers.acquisition import FrameAcquisition
from rig.clock import SystemClock
from rig.errors import DeviceError
from rig.samples import SampleBlock
from tests.drivers.acquiring import blocks, expected, holes, opened, plugged, until
from tests.drivers.sample_device import (
    PtyDevice,
    StreamingDevice,
    channels_of,
    info,
    port_plan,
    sample,
    sources,
    values_of,
)


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


async def test_missing_frames_are_nan_and_frames_never_jump() -> None:
    with plugged(StreamingDevice(leaves_out=holes)) as device:
        async with opened(device.path) as acquisition:
            block = await blocks(acquisition, 10)
            np.testing.assert_array_equal(block.values, expected(block, holes))
            dropped = acquisition.report()[0].dropped
            assert dropped >= np.isnan(block.values[0]).sum() > 60
            assert any("are missing" in text for text in acquisition.told())


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
