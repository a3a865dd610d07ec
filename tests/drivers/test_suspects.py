"""What is asked of a port whose device is not understood, and what never is."""

from __future__ import annotations

import os
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from drivers.suspects import suspect
from rig.clock import SystemClock
from rig.commands.rig_alone import load_rig_alone
from rig.ports import LineReport
from rig.protocol.load import load_rig
from rig.protocol.wire import Wire
from simulators.wire.emulation import framings
from simulators.wire.rig_text import rig_text


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
