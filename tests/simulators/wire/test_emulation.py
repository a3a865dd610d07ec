"""All devices of an emulated rig together, asked by programs that know nothing of them."""

from __future__ import annotations

import asyncio
import contextlib
import os
import struct
import time
import zlib
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs
from pymodbus.client import AsyncModbusSerialClient

from rig.channels import Channel
from rig.clock import SystemClock, VirtualClock, VirtualLoop
from rig.errors import DeviceError, InputError
from simulators.actuator import SimulatedActuator
from simulators.state import World
from simulators.wire.emulation import PORTS, Emulation, emulation, framings
from simulators.wire.troubles import Dropped, OnLine, Script
from simulators.wire.truth import Told, WatchedMachine
from tests.simulators.driving import QUIET, HandClock, setup
from tests.simulators.wire.host import Host, heard_of, host

RATE = 1000.0


@contextlib.asynccontextmanager
async def running(
    folder: Path, told: list[Told] | None = None, **more: Any
) -> AsyncIterator[Emulation]:
    made = setup(rate=RATE, watchdog=0.5, pump_run_up=0.1)
    tell = [] if told is None else told
    async with emulation(made, 1, SystemClock(), folder, tell=tell.append, **more) as rig:
        yield rig


async def samples(there: Host, count: int) -> list[tuple[int, int, tuple[float, ...]]]:
    """Return sequence, device time [us] and values of frames, read by libraries of others."""
    data, found = b"", []
    until = time.monotonic() + 10
    while len(found) < count and time.monotonic() < until:
        data += await there.read(4096, within=0.02)
        *frames, data = data.split(b"\0")
        for frame in frames:
            try:
                content = cobs.decode(frame)
            except cobs.DecodeError:
                continue  # the first one began before the port was opened
            if content[:1] == b"\x01" and zlib.crc32(content[:-4]) == int.from_bytes(
                content[-4:], "little"
            ):
                sequence, micros = struct.unpack_from("<II", content, 1)
                values = struct.unpack_from(f"<{(len(content) - 13) // 4}f", content, 9)
                found.append((sequence, micros, values))
    return found


async def test_every_port_is_answered_by_its_own_device(tmp_path: Path) -> None:
    async with running(tmp_path) as rig:
        assert rig.paths == {name: str(tmp_path / name) for name in PORTS}
        with host(rig.paths["servo"], 115200) as servo:
            assert await servo.ask("*IDN?") == "nightrig,emulated controller,1,1"
            assert await servo.ask("STAT:RIG?") == "OFF,0,0,NONE,NONE,OFF,0.000000"
        with host(rig.paths["thermometer"], 9600) as thermometer:
            assert 15 < float(await thermometer.ask("MEAS:TEMP?")) < 25
        with host(rig.paths["samples"], 921600) as port:
            frames = await samples(port, 50)
            assert [f[0] for f in frames] == list(range(frames[0][0], frames[0][0] + len(frames)))
            assert [f[1] for f in frames] == [1000 * f[0] for f in frames]
            assert {len(f[2]) for f in frames} == {len(QUIET)}
        client = AsyncModbusSerialClient(
            rig.paths["bus"], baudrate=19200, parity="N", stopbits=2, timeout=1
        )
        assert await client.connect()
        try:
            healthy = await client.read_discrete_inputs(0, count=5, device_id=2)
            assert healthy.bits[:5] == [True, True, True, True, False]
            await client.write_coil(0, True, device_id=1)
            await asyncio.sleep(0.15)
            flow = await client.read_input_registers(0, count=2, device_id=1)
            litres = struct.unpack(">f", struct.pack(">HH", *flow.registers))[0]
            assert litres == pytest.approx(1.5)
            rig.machine.arrive()
            assert rig.machine.state.pump.on
        finally:
            client.close()
            await asyncio.sleep(0)
    assert os.listdir(tmp_path) == []


async def test_what_one_device_does_the_others_show(tmp_path: Path) -> None:
    told: list[Told] = []
    bounds = {"stroke": (-1.0, 0.52e-3)}
    async with running(tmp_path, told, bounds=bounds) as rig:
        with (
            host(rig.paths["servo"], 115200) as servo,
            host(rig.paths["samples"], 921600) as port,
        ):
            assert await servo.ask("OUTP:PRES HIGH;:SYST:ERR?") == '0,"No error"'
            assert await servo.ask("CALC:LIM:STR -10,0.83;:SOUR:STR:RAMP 5,50;:SYST:ERR?") == (
                '0,"No error"'
            )
            frames = await samples(port, 200)
            assert (await servo.ask("STAT:RIG?")).startswith("OFF,0,0,STR,LIM,HIGH,0.")
    facts = [(t["what"], t["value"]) for t in sorted(told, key=lambda t: t["frame"])]
    assert [value for what, value in facts if what == "valve"] == ["closed", "open", "closed"]
    frame = {(t["what"], t["value"]): int(t["frame"]) for t in told if t["frame"]}
    # Its samples show the excess of the stroke at the frame that the truth names, not before.
    strokes = {sequence: values[2] for sequence, _, values in frames}
    outside = frame["outside", "stroke"]
    assert strokes[outside] > 0.52 >= strokes[outside - 1]
    closed = frame["tripped", "stroke"]
    assert frame["valve", "closed"] == closed
    assert frame["stopped_by", "limit"] == closed
    assert strokes[closed - 1] > 0.83 >= strokes[closed - 2]
    assert frame["valve", "open"] < frame["motion", "ramp of stroke"] < outside < closed


async def test_a_process_that_was_late_catches_up_with_the_clock(tmp_path: Path) -> None:
    async with running(tmp_path) as rig:
        with host(rig.paths["samples"], 921600) as port:
            await heard_of(rig.terminals["samples"])
            before = await samples(port, 20)
            time.sleep(0.3)  # everything in this process stands still
            after = await samples(port, 300)
            # What it shows soon is of now again; a device behind by the pause would never be.
            while time.monotonic() - rig.machine.clock_of(after[-1][0]) > 0.2:
                after += await samples(port, 20)
            sequences = [f[0] for f in before + after]
            assert sequences == list(range(sequences[0], sequences[0] + len(sequences)))
            assert time.monotonic() >= rig.machine.clock_of(sequences[-1] + 1)


async def test_the_watchdogs_stop_actuator_and_pump_when_the_host_is_gone(tmp_path: Path) -> None:
    told: list[Told] = []
    async with running(tmp_path, told) as rig:
        client = AsyncModbusSerialClient(
            rig.paths["bus"], baudrate=19200, parity="N", stopbits=2, timeout=1
        )
        assert await client.connect()
        with host(rig.paths["servo"], 115200) as servo:
            assert await servo.ask("OUTP:PRES HIGH;:SOUR:STR:RAMP -40,5;:SYST:ERR?") == (
                '0,"No error"'
            )
            await client.write_register(0, 200, device_id=1)
            await client.write_coil(0, True, device_id=1)
        client.close()
        for _ in range(100):
            await asyncio.sleep(0.02)
            rig.machine.arrive()
            if rig.machine.state.stopped_by and not rig.machine.state.pump.on:
                break
    frame = {(t["what"], t["value"]): int(t["frame"]) for t in told if t["frame"]}
    # The actuator's is 0.5 s after the last command, to the frame.
    assert frame["stopped_by", "watchdog"] - frame["motion", "ramp of stroke"] == 501
    assert frame["pump", "off"] > frame["pump", "on"]
    assert ("watchdog of emulated water station", "let go") in {
        (t["what"], t["value"]) for t in told
    }


async def test_a_plug_that_was_pulled_is_the_only_line_that_is_lost(tmp_path: Path) -> None:
    async with running(tmp_path) as rig:
        rig.terminals["servo"].unplug()
        assert sorted(os.listdir(tmp_path)) == ["bus", "samples", "thermometer"]
        with host(rig.paths["samples"], 921600) as port:
            assert len(await samples(port, 20)) >= 20
        rig.terminals["servo"].plug()
        with host(rig.paths["servo"], 115200) as servo:
            assert await servo.ask("*OPC?") == "1"


async def test_a_script_of_faults_meets_what_passes_on_its_line(tmp_path: Path) -> None:
    script = Script("", (OnLine("servo", (Dropped(1),), unit="line"),))
    async with running(tmp_path, trouble=script) as rig:
        with host(rig.paths["servo"], 115200) as servo:
            servo.write(b"*ESE 1;*ESE?\n*ESE 2;*ESE?\n*ESE 3;*ESE?\n")
            assert [await servo.line(), await servo.line()] == ["1", "3"]


async def take_away_frames(folder: Path) -> None:
    """Read frames that are the sample device's, so that it fails at its next one."""
    async with running(folder) as rig:
        rig.machine.read(1)
        await asyncio.sleep(5)


async def keep_nothing(folder: Path) -> None:
    """Make a mistake in the block that uses the rig."""
    async with running(folder) as rig:
        rig.machine.keep(1)


async def test_an_error_of_a_device_or_of_whoever_uses_it_ends_all(tmp_path: Path) -> None:
    with pytest.raises(DeviceError, match="no block to keep"):
        await keep_nothing(tmp_path)
    with pytest.raises(DeviceError, match="read before"):
        await take_away_frames(tmp_path)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize(("rate", "sampled", "baud"), [(1000, 3, 921600), (1000, 8, 921600)])
def test_samples_have_a_line_that_is_quick_enough(rate: float, sampled: int, baud: int) -> None:
    assert framings(rate, sampled)["samples"].baud == baud


@pytest.mark.parametrize("sampled", [1, 8, 20, 60])
@pytest.mark.parametrize("rate", [100.0, 1e3, 2e3])
def test_a_line_has_room_for_its_frames(rate: float, sampled: int) -> None:
    frame = len(cobs.encode(bytes(13 + 4 * sampled))) + 1
    if rate * frame * 10 > 0.8 * 4e6:
        with pytest.raises(InputError, match="fewer channels or a lower rate"):
            framings(rate, sampled)
    else:
        assert rate * frame * framings(rate, sampled)["samples"].byte_time <= 0.8


# What really happens, on a clock moved by hand: every change, to the frame.


def watched(**more: Any) -> tuple[WatchedMachine, HandClock, list[Mapping[str, Any]]]:
    told: list[Mapping[str, Any]] = []
    clock = HandClock()
    made = setup(rate=RATE)
    return WatchedMachine(World(made, 1), 1, clock, told.append, **more), clock, told


async def test_the_truth_begins_with_how_the_rig_stands() -> None:
    machine, _clock, told = watched()
    machine.close()
    assert {t["what"]: t["value"] for t in told} == {
        "valve": "closed",
        "pressure": "off",
        "motion": "hold of stroke",
        "moving": "no",
        "stopped_by": "nothing",
        "tripped": "nothing",
        "pump": "off",
    }
    assert {(t["frame"], t["clock_s"]) for t in told} == {(0, 1000.0)}


async def test_the_truth_does_not_depend_on_how_often_the_machine_is_looked_at() -> None:
    lines = []
    for step in (0.001, 0.004, 0.25, 1.0):
        machine, clock, told = watched(bounds={"load": (-1.0, 5e3), "stroke": (-1.0, 3e-3)})
        actuator = SimulatedActuator(machine)
        await actuator.pressure("high")
        await actuator.move_stroke(8e-3, 8e-3)
        await actuator.write_limits({"load": (-1e3, 20e3)})
        for _ in range(round(1.0 / step)):
            clock.jump(step)
            machine.arrive()
        machine.close()
        lines.append(sorted(tuple(t.items()) for t in told))
    assert lines[0] == lines[1] == lines[2] == lines[3]
    whats = [dict(line)["what"] for line in lines[0]]
    assert whats.count("outside") == 1  # the load; the limit stops the stroke before its bound
    assert whats.count("inside") == 1


async def test_the_clock_of_a_frame_is_when_it_begins() -> None:
    machine, clock, told = watched()
    actuator = SimulatedActuator(machine)
    clock.jump(1.2345)
    await actuator.pressure("low")
    machine.close()
    line = told[-1]
    assert (line["what"], line["value"], line["frame"]) == ("pressure", "low", 1234)
    assert line["clock_s"] == pytest.approx(1000.0 + 1.234)
    assert machine.clock_of(1234) == line["clock_s"]


def test_a_slow_channel_is_not_sampled(tmp_path: Path) -> None:
    async def run() -> int:
        made = setup(rate=RATE, channels=(*QUIET, Channel("level", "m", 1e-3, 0.0, 1.0, slow=True)))
        async with emulation(made, 1, VirtualClock(), tmp_path) as rig:
            return rig.devices["samples"].info.channels  # type: ignore[attr-defined]

    loop = VirtualLoop()
    try:
        assert loop.run_until_complete(run()) == len(QUIET)
    finally:
        loop.close()
