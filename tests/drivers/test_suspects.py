"""What is asked of a port whose device is not understood, and what never is."""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from drivers import suspects
from drivers.suspects import suspect
from rig.clock import SystemClock
from rig.commands.rig_alone import load_rig_alone
from rig.ports import LineReport
from rig.protocol.load import load_rig
from rig.protocol.wire import Port, Wire
from simulators.wire.emulation import framings
from simulators.wire.rig_text import rig_text
from tests.drivers import sample_device


@contextmanager
def a_port() -> Iterator[tuple[int, str]]:
    """Give the device's end of a pseudo-terminal, which says nothing, and the other's path."""
    device, end = os.openpty()
    tty.setraw(end)
    os.set_blocking(device, False)
    try:
        yield device, os.ttyname(end)
    finally:
        os.close(device)
        os.close(end)


def wire_with(port: str, path: str) -> Wire:
    """Return the wires of an emulation's rig file, one port at a path, the others nowhere."""
    rig = load_rig_alone(None).rig
    set_as = framings(rig.rate, len(rig.sampled))
    paths = {name: path if name == port else f"/dev/none/{name}" for name in set_as}
    wire = load_rig("rig.toml", lambda _path: rig_text(rig, paths, set_as)).wire
    assert wire is not None
    # A silent port is silent at once.
    return replace(wire, ports=tuple(replace(p, answer_within=0.01) for p in wire.ports))


async def written_to(port: str, *, harmless: bool) -> bytes:
    """Look closer at a silent port of a rig; return every byte that was written there."""
    with a_port() as (device, path):
        line = LineReport(port, path, "", trouble="nothing answers", remedy="as before")
        found = await suspect(
            [line], wire_with(port, path), SystemClock(), harmless=lambda _port: harmless
        )
        assert found == (line,)
        try:
            return os.read(device, 4096)
        except BlockingIOError:
            return b""


async def test_a_controller_is_asked_nothing_that_is_none_of_its_words():
    assert await written_to("servo", harmless=False) == b""


@pytest.mark.nights
async def test_another_silent_port_is_asked_as_every_device_of_the_rig():
    asked = await written_to("thermometer", harmless=False)
    assert b"*IDN?\n" in asked
    assert b"\x01\x08\x00\x00" in asked, "Return Query Data, to the device at address 1"
    assert b"MEASure:TEMPerature?\n" in asked


@pytest.mark.nights
async def test_an_emulated_controller_is_asked_too():
    assert b"MEASure:TEMPerature?\n" in await written_to("servo", harmless=True)


@pytest.mark.parametrize("good", [0, 5])
async def test_a_line_that_is_understood_is_left_alone(good):
    with a_port() as (device, path):
        trouble = "the device samples at 500 Hz" if good else ""
        line = LineReport("samples", path, "samples", good=good, trouble=trouble)
        wire = wire_with("samples", path)
        assert await suspect([line], wire, SystemClock()) == (line,)
        with pytest.raises(BlockingIOError):
            os.read(device, 100)


INSTRUMENT = "thermometer"


@contextmanager
def a_device(end: bytes, answers: dict[bytes, bytes]) -> Iterator[str]:
    """Give the path of a device whose lines end so, and which answers some of them."""
    with a_port() as (device, path):
        ended = threading.Event()

        def serve() -> None:
            heard = b""
            while not ended.is_set():
                if not select.select([device], [], [], 0.02)[0]:
                    continue
                *lines, heard = (heard + os.read(device, 4096)).split(end)
                for line in lines:
                    if said := answers.get(line.strip()):
                        os.write(device, said + end)

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield path
        finally:
            ended.set()
            thread.join()


async def told_of(port: str, path: str, wire: Wire) -> str:
    """Return what a closer look at one silent port says that should be tried."""
    line = LineReport(port, path, "", trouble="nothing answers", remedy="as before")
    (found,) = await suspect([line], wire, SystemClock())
    return found.remedy


def alone(wire: Wire, port: str) -> Wire:
    """Return wires of which nothing but one port is left."""
    return replace(
        wire,
        controller=wire.controller if port == "servo" else None,
        sources=(),
        modbus=(),
        instruments=wire.instruments if port == INSTRUMENT else (),
    )


@pytest.mark.parametrize(
    ("name", "end"), [("CR", b"\r"), pytest.param("CRLF", b"\r\n", marks=pytest.mark.nights)]
)
async def test_a_device_whose_lines_end_otherwise_is_found(name, end):
    with a_device(end, {b"MEASure:TEMPerature?": b"20.1"}) as path:
        wire = alone(wire_with(INSTRUMENT, path), INSTRUMENT)
        wire = replace(wire, ports=tuple(replace(p, answer_within=0.1) for p in wire.ports))
        said = await told_of(INSTRUMENT, path, wire)
    assert said.endswith(
        f'answers lines that end in {name}: write line_end = "{name}" in its table'
    )


async def test_a_controller_that_is_there_and_sends_no_number_back_is_told_as_such():
    with a_device(b"\n", {b"*IDN?": b"an emulated controller"}) as path:
        wire = alone(wire_with("servo", path), "servo")
        wire = replace(wire, ports=tuple(replace(p, answer_within=0.1) for p in wire.ports))
        said = await told_of("servo", path, wire)
    assert said == (
        'the controller ("an emulated controller") does answer here: is echo in '
        "[controller.actions] one of its own commands?"
    )


async def test_another_parity_is_found_where_there_is_hardware(monkeypatch):
    asked: list[Port] = []

    class EvenLine:
        """A line of samples that fit at even parity alone; a pseudo-terminal knows none."""

        def __init__(self, plan: Port, _clock: object) -> None:
            self.plan = plan

        def open(self, on_bytes: Callable[[bytes, float], None]) -> None:
            asked.append(self.plan)
            if self.plan.parity == "even":
                for number in range(3):
                    on_bytes(sample_device.sample(number, [1.0]), 0.0)

        def close(self) -> None:
            """Close nothing."""

    monkeypatch.setattr(suspects, "SerialLine", EvenLine)
    wire = replace(wire_with("samples", "/dev/none/samples"), controller=None, modbus=())
    wire = replace(wire, instruments=())
    said = await told_of("samples", "/dev/none/samples", wire)
    assert said.startswith('a device that sends samples is understood with parity "even"')
    assert 'write parity = "even" there' in said
    assert {port.baud for port in asked} == {wire.port("samples").baud}
