"""Ports of samples are opened: what is wrong with them is told, all at once and in time."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import numpy as np
import pytest

from drivers.acquisition import FrameAcquisition
from rig.clock import SystemClock
from rig.errors import DeviceError
from tests.drivers.acquiring import expected, opened, plugged
from tests.drivers.sample_device import (
    ASKED,
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


class FourfoldClock(SystemClock):
    """Four seconds in one: what gives up after seconds is waited for less long."""

    def now(self) -> float:
        return super().now() * 4

    async def sleep(self, seconds: float) -> None:
        await super().sleep(seconds / 4)


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
