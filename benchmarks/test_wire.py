"""A rig on serial lines: from a sample to the stop, and how far the rod still travels.

The emulated rig is a process of its own with its own measure of time: the false sample has been
written to the line, the stop has been read from the other one. So the peer, a bare loop that
reads, looks and writes, is measured by the same clock over the same ports.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

from benchmarks.delays import percentiles
from benchmarks.emulated import CHANNEL, EVERY, ROW, SIZE
from tests.assembly.nights import PROTOCOL, QUICKER

PACKAGED = Path(str(resources.files("protocols")))
LASTS = float(os.environ.get("NIGHTRIG_LASTS", "100"))
"""How long [s] each side is measured."""

BARE = """
import struct, sys, zlib
import serial
from cobs import cobs
samples = serial.Serial(sys.argv[1], 921600, timeout=0.05, exclusive=True)
servo = serial.Serial(sys.argv[2], 115200, timeout=0.05, exclusive=True)
row, most, rest, many, told = int(sys.argv[3]), float(sys.argv[4]), b"", 0, False
while True:
    *frames, rest = (rest + samples.read(max(1, samples.in_waiting))).split(b"\\0")
    for frame in frames:
        try:
            plain = cobs.decode(frame)
        except cobs.DecodeError:
            continue
        if plain[:1] != b"\\1" or zlib.crc32(plain[:-4]) != int.from_bytes(plain[-4:], "little"):
            continue
        many = many + 1 if struct.unpack_from("<f", plain, 9 + 4 * row)[0] > most else 0
        if many == 3:
            servo.write(b"OUTPut:VALVe OFF\\n")
"""
"""What the lines and this computer allow: one thread, no record, nothing else to do."""

WHOLE = """
import asyncio, sys
from pathlib import Path
from rig.assembly.devices import close, open_rig
from rig.assembly.result import header_of
from rig.clock import SystemClock
from rig.commands.files import load
from rig.control.conductor import Conductor
from rig.control.desk import Desk
from rig.control.sentry import Sentry
from rig.guards.limits import LimitSetup
from rig.record.remote import RemoteRecorder
from dataclasses import replace

class Both:
    # The conductor's sentry looks as it always does; a second one sees the false samples.
    def __init__(self, post, second):
        self.post, self.second = post, second
    def stand(self, glance):
        second = self.second
        if glance is None:
            self.post.stand(None)
        else:
            self.post.stand(lambda block: glance(block) | second.glance(block))

async def main(protocol, rig_file, out, channel, most, lasts):
    plan, clock = load(protocol, rig_file), SystemClock()
    rig = await open_rig(plan, 1, clock)
    second = Sentry(c.name for c in plan.rig.sampled)
    second.arm(LimitSetup(bounds={channel: (-most, most)}, persist=3, rate=plan.rig.rate))
    rig = replace(rig, post=Both(rig.post, second))
    out = Path(out)
    header = header_of(plan, out, 1, clock.utc(), simulated=True)
    recorder = await RemoteRecorder.create(out, header)
    conductor = Conductor(plan, rig, recorder, one_tick=True, desk=Desk(), live=True, clock=clock)
    async def ended():
        while conductor.book.state != "cycling":
            await asyncio.sleep(0.05)
        print("cycling", flush=True)
        await asyncio.sleep(lasts)
        print("over", conductor.book.counted, flush=True)
    try:
        async with asyncio.TaskGroup() as group:
            going = group.create_task(conductor.run())
            watch = group.create_task(ended())
            await asyncio.wait([going, watch], return_when=asyncio.FIRST_COMPLETED)
            if going.done():
                print("ended", going.result(), flush=True)
            watch.cancel()
            going.cancel()
    finally:
        await recorder.abandon()
        await close(rig)

asyncio.run(main(*sys.argv[1:5], float(sys.argv[5]), float(sys.argv[6])))
"""
"""The whole program in operation: conductor, extraction, criteria, recorder, heartbeat."""


def rig_in(folder: Path) -> tuple[Path, Path]:
    """Write a protocol that cycles for ever and a simulated rig of eight sampled channels."""
    rig = (PACKAGED / "rigs" / "simulated-full.toml").read_text("utf-8")
    stroke = '[[channel]]\nname = "stroke"\nresolution = "1 um"\nnoise = "1 um"\n'
    rig = rig.replace("[pump]", f'{stroke}range = ["-60 mm", "60 mm"]\n\n[pump]')
    for slow, quick in QUICKER.items():
        assert slow in rig
        rig = rig.replace(slow, quick)
    (folder / "simulated.toml").write_text(rig, "utf-8")
    specimen = (PACKAGED / "specimens" / "prism-small.toml").as_posix()
    text = PROTOCOL.format(specimen=specimen, run_out=100_000).replace('"10 Hz"', '"4 Hz"')
    text = text.replace("[full_rate]", '[full_rate]\nfirst = "100000 cycles"')
    (folder / "protocol.toml").write_text(text, "utf-8")
    return folder / "protocol.toml", folder / "simulated.toml"


@contextmanager
def emulated(folder: Path) -> Iterator[list[tuple[float, float]]]:
    """Run the emulated rig; the list has, after the block, when samples went out and stops came."""
    protocol, rig = rig_in(folder)
    script = Path(__file__).with_name("emulated.py")
    command = [sys.executable, str(script), str(folder), str(protocol), str(rig)]
    env = {**os.environ, "PYTHONPATH": str(script.parent.parent)}
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=env)
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    pairs: list[tuple[float, float]] = []
    try:
        yield pairs
    finally:
        child.terminate()
        for line in child.stdout:
            _, sent, stopped = line.split()
            pairs.append((float(sent), float(stopped)))
        child.stdout.close()
        child.wait()


def bare(folder: Path) -> list[float]:
    """Return how long the bare loop took from a sample to its stop [s]."""
    with emulated(folder) as pairs:
        arguments = [str(folder / name) for name in ("samples", "servo")]
        arguments += [str(ROW), str(SIZE / 2 * 1e3)]
        child = subprocess.Popen([sys.executable, "-c", BARE, *arguments])
        time.sleep(LASTS)
        child.kill()
        child.wait()
    return [stopped - sent for sent, stopped in pairs]


def whole(folder: Path) -> tuple[list[float], int]:
    """Return the same of the whole program while it records, and its cycles meanwhile."""
    with emulated(folder) as pairs:
        arguments = [str(folder / name) for name in ("protocol.toml", "rig.toml", "run")]
        more = [CHANNEL, str(SIZE / 2), str(LASTS)]
        command = [sys.executable, "-c", WHOLE, *arguments, *more]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
            assert child.stdout is not None
            assert child.stdout.readline() == "cycling\n"
            began = time.monotonic()
            word, cycles = child.stdout.readline().split(maxsplit=1)
            ended = time.monotonic()
            assert word == "over", cycles
    return [b - a for a, b in pairs if began < a < ended], int(cycles)


def test_from_a_sample_to_the_stop_beside_a_bare_loop(benchmark: Any, tmp_path: Path) -> None:
    for name in ("bare", "whole"):
        (tmp_path / name).mkdir()
    peer = bare(tmp_path / "bare")
    ours, cycles = benchmark.pedantic(lambda: whole(tmp_path / "whole"), rounds=1)
    info = percentiles("bare", peer) | percentiles("stop", ours)
    info["p99_later_ms"] = info["stop_p99_ms"] - info["bare_p99_ms"]
    benchmark.extra_info.update(info | {"cycles": cycles})
    assert min(len(peer), len(ours)) > 0.7 * LASTS * 1e3 / EVERY
