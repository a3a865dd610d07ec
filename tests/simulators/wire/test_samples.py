"""The emulated acquisition on its line: every frame of the rig, once, as it comes to exist."""

from __future__ import annotations

import asyncio
import contextlib
import struct
import zlib
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import pytest
import serial
from cobs import cobs

from rig.channels import Channel
from rig.clock import Clock, SystemClock, VirtualClock
from rig.samples import SampleBlock
from simulators.actuator import SimulatedActuator
from simulators.faults import Missing, Silent
from simulators.pacing import PacedMachine
from simulators.state import World
from simulators.wire.samples import SampleDevice, said_in
from simulators.wire.terminal import Terminal
from simulators.wire.uart import Framing
from tests.simulators.driving import setup

CHANNELS = (
    Channel("load", "N", 2.0, -20e3, 250e3),
    Channel("stroke", "m", 1e-7, -5e-3, 60e-3),
    Channel("strain_1", "1", 1e-7, -1e-2, 1e-2),
)
PER_SI = np.array([[1e-3], [1e3], [1e6]])  # kN, mm, um/m
SAMPLE = struct.Struct("<BII3f")
INFO = struct.Struct("<BBBBfI")


class Late:
    """A clock of a process that is late now and then: `lose` lets time pass unseen."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lost = 0.0

    def now(self) -> float:
        return self._clock.now() + self._lost

    def utc(self) -> datetime:
        return self._clock.utc()

    async def sleep(self, seconds: float) -> None:
        await self._clock.sleep(seconds)

    def lose(self, seconds: float) -> None:
        self._lost += seconds


class Kept(PacedMachine):
    """A machine that remembers the frames it gave."""

    given: list[np.ndarray]

    def read(self, frames: int) -> SampleBlock:
        block = super().read(frames)
        self.given = [*getattr(self, "given", []), block.values.copy()]
        return block


@dataclass
class Heard:
    """What a host hears of the device, decoded by an independent codec."""

    device: SampleDevice
    machine: Kept
    clock: Late
    sends: list[tuple[bytes, float, float]] = field(default_factory=list)

    def bodies(self) -> list[bytes]:
        """Return the bodies of all frames in order."""
        return bodies_of(b"".join(data for data, _, _ in self.sends))

    def samples(self) -> tuple[list[int], list[int], np.ndarray]:
        """Return sequence, device time and values of shape (channels, frames)."""
        return samples_of(self.bodies())

    def infos(self) -> list[tuple[int, ...]]:
        return [INFO.unpack(b[:12]) for b in self.bodies() if b[0] == 2]


def bodies_of(stream: bytes) -> list[bytes]:
    assert stream.endswith(b"\0")
    found = []
    for frame in stream[:-1].split(b"\0"):
        whole = cobs.decode(frame)
        assert zlib.crc32(whole[:-4]) == int.from_bytes(whole[-4:], "little")
        found.append(whole[:-4])
    return found


def samples_of(bodies: list[bytes]) -> tuple[list[int], list[int], np.ndarray]:
    rows = [SAMPLE.unpack(body) for body in bodies if body[0] == 1]
    values = np.array([row[3:] for row in rows], np.float32)
    return [row[1] for row in rows], [row[2] for row in rows], values.T


def request(what: int) -> bytes:
    body = bytes((16, what))
    return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"


@contextlib.asynccontextmanager
async def running(rate: float = 1000.0, faults: tuple[object, ...] = ()) -> AsyncIterator[Heard]:
    """Let a device run."""
    clock = Late(VirtualClock())
    made = setup(rate=rate, channels=CHANNELS, faults=faults)
    machine = Kept(World(made, 1), 1, clock)

    def send(data: bytes, at: float) -> None:
        heard.sends.append((data, at, clock.now()))

    heard = Heard(SampleDevice(machine, clock, send), machine, clock)
    task = asyncio.ensure_future(heard.device.run())
    try:
        await asyncio.sleep(0)
        yield heard
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        machine.close()


async def moved(machine: PacedMachine) -> None:
    """Have the rig do something."""
    actuator = SimulatedActuator(machine)
    await actuator.pressure("high")
    await actuator.move_stroke(2.3e-3, 20e-3)
    await asyncio.sleep(0.2)
    await actuator.move_load(30e3, 400e3)
    await asyncio.sleep(0.2)


@pytest.mark.virtual
async def test_every_frame_of_the_rig_is_sent_once_in_the_units_of_the_line():
    async with running() as heard:
        await moved(heard.machine)
        await asyncio.sleep(0.1)
        sequence, times, values = heard.samples()
        assert 497 <= len(sequence) <= 500
        assert sequence == list(range(len(sequence)))
        assert times == [1000 * n for n in sequence]
        given = np.concatenate(heard.machine.given, axis=1)
        assert np.allclose(values, given * PER_SI, rtol=1e-6, atol=0)
        assert [said_in(c) for c in CHANNELS] == ["kN", "mm", "um/m"]
        assert values[0, -1] == pytest.approx(30.0, abs=0.1)  # what was commanded


@pytest.mark.virtual
async def test_samples_go_out_as_soon_as_they_exist_and_two_at_most():
    async with running() as heard:
        await asyncio.sleep(0.5)
        samples = [(d, at, now) for d, at, now in heard.sends if bodies_of(d)[0][0] == 1]
        assert len(samples) >= 249
        for data, at, now in samples:
            sequence, _, _ = samples_of(bodies_of(data))
            assert len(sequence) <= 2
            # The first of them existed at the end of its period, the last one exists now.
            assert at - samples[0][1] == pytest.approx(sequence[0] * 1e-3, abs=1e-6)
            assert 0 <= now - at <= 1.1e-3


@pytest.mark.virtual
async def test_a_late_process_sends_all_that_happened_meanwhile():
    async with running() as heard:
        await asyncio.sleep(0.1)
        before = len(heard.sends)
        heard.clock.lose(0.35)
        await asyncio.sleep(0.02)
        sequence, times, _ = heard.samples()
        assert sequence == list(range(len(sequence)))
        assert times == [1000 * n for n in sequence]
        assert len(sequence) >= 468
        sizes = [len(samples_of(bodies_of(data))[0]) for data, _, _ in heard.sends[before:]]
        assert max(sizes) == 100  # others of the process have their turn in between


@pytest.mark.virtual
async def test_it_says_what_it_is_at_power_on_each_second_and_when_asked():
    async with running(rate=250.0) as heard:
        rate, emulated = 250.0, 1
        assert heard.infos() == [(2, 1, emulated, 3, rate, 0)]
        assert heard.bodies()[0][12:] == b"emulated samples"
        await asyncio.sleep(2.1)
        assert heard.infos()[1:] == [(2, 1, emulated, 3, rate, n) for n in (250, 500)]
        asked = heard.samples()[0][-1] + 1
        heard.device.take(request(1))
        assert heard.infos()[3:] == [(2, 1, emulated, 3, rate, asked)]
        await asyncio.sleep(0.1)
        # Each info tells the number of the sample that follows it.
        bodies = heard.bodies()
        after = {i: bodies[i + 1] for i, body in enumerate(bodies[:-1]) if body[0] == 2}
        for i, body in after.items():
            assert INFO.unpack(bodies[i][:12])[5] == SAMPLE.unpack(body)[1]
        assert len(after) == 4


@pytest.mark.virtual
async def test_stopped_it_is_silent_and_started_it_goes_on_counting():
    async with running() as heard:
        await asyncio.sleep(0.1)
        heard.device.take(request(3))
        silent = len(heard.sends)
        await asyncio.sleep(0.2)
        assert len(heard.sends) == silent
        heard.device.take(request(2))
        await asyncio.sleep(0.1)
        sequence, times, _ = heard.samples()
        hole = np.diff(sequence)
        assert sorted(set(hole)) == [1, max(hole)]
        assert 199 <= max(hole) <= 203
        assert times == [1000 * n for n in sequence]


@pytest.mark.virtual
async def test_what_is_no_request_is_passed_over_however_it_comes():
    async with running() as heard:
        info = request(1)
        noise = b"\x05ab\0" + request(7) + info[:3] + b"\0" + info[2:]
        for byte in noise:
            heard.device.take(bytes((byte,)))
        assert len(heard.infos()) == 1
        heard.device.take(b"\0" + info[:4])
        heard.device.take(info[4:] + info)
        assert len(heard.infos()) == 3


@pytest.mark.virtual
async def test_what_the_rig_lost_is_no_number_and_what_hangs_is_a_hole():
    faults = (Missing("stroke", 50, 60), Silent(100, 220))
    async with running(faults=faults) as heard:
        await asyncio.sleep(0.3)
        sequence, _, values = heard.samples()
        missing = np.isnan(values)
        assert [sequence[k] for k in np.flatnonzero(missing[1])] == list(range(50, 60))
        assert not missing[[0, 2]].any()
        assert sequence[:100] == list(range(100))
        assert sequence[100] == 220


@pytest.mark.virtual
async def test_begun_anew_it_counts_from_zero():
    async with running() as heard:
        await asyncio.sleep(0.1)
        before = heard.samples()[0][-1]
        heard.device.restart()
        await asyncio.sleep(0.1)
        sequence, times, _ = heard.samples()
        assert sequence[before : before + 3] == [before, 0, 1]
        assert times[before : before + 3] == [1000 * before, 0, 1000]
        assert [info[5] for info in heard.infos()] == [0, 0]


async def test_samples_come_through_a_real_port(tmp_path):
    clock = SystemClock()
    machine = PacedMachine(World(setup(rate=1000.0, channels=CHANNELS), 1), 1, clock)
    terminal = Terminal(Framing(921600), clock, tmp_path / "samples")
    device = SampleDevice(machine, clock, terminal.send)
    terminal.on_bytes = device.take
    task = asyncio.ensure_future(device.run())
    try:
        with serial.Serial(terminal.path, 921600, timeout=5, exclusive=True) as port:
            port.write(request(1))
            got = await asyncio.to_thread(port.read, 500 * 26)
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        terminal.close()
        machine.close()
    whole = got[got.index(b"\0") + 1 : got.rindex(b"\0") + 1]  # without the cut ends
    sequence, times, _ = samples_of(bodies_of(whole))
    assert len(sequence) > 450
    assert sequence == list(range(sequence[0], sequence[0] + len(sequence)))
    assert times == [1000 * n for n in sequence]
    assert any(body[12:] == b"emulated samples" for body in bodies_of(whole) if body[0] == 2)
