"""The panel of an emulated rig: inputs are operated by lines on a socket of one's own."""

from __future__ import annotations

import asyncio
import os
import stat

import pytest

from rig.clock import SystemClock
from rig.errors import InputError
from rig.ports import InputState
from simulators.devices import SimulatedInputs
from simulators.faults import InputChange
from simulators.state import World
from simulators.wire.panel import INPUTS, PanelInputs, panel_open
from simulators.wire.truth import WatchedMachine
from tests.simulators.driving import HandClock, setup


def panel(clock, faults=(), tell=None):
    """Return the panel of a rig at power-on, and its machine."""
    told = [] if tell is None else tell
    machine = WatchedMachine(World(setup(faults=faults), 1), 1, clock, told.append)
    return PanelInputs(SimulatedInputs(machine), machine), machine


@pytest.mark.parametrize("name", INPUTS)
async def test_an_input_is_on_until_it_is_put_off(name):
    clock, told = HandClock(), []
    at, machine = panel(clock, tell=told)
    clock.jump(2.0)
    words = at.answer(f"{name} on").split()
    assert words[:3] == ["done", name, "on"]
    # The frame and its second on the clock that every process reads.
    assert int(words[3]) == machine.frame == 400
    assert float(words[4]) == pytest.approx(clock.now(), abs=1e-6)
    assert getattr(await at.read(), name) is True
    assert at.answer("state") == f"state {name}"
    assert at.answer(f"{name} off").startswith(f"done {name} off ")
    assert getattr(await at.read(), name) is False
    inputs = [(t["what"], t["value"]) for t in told if str(t["what"]).startswith("input ")]
    assert inputs == [(f"input {name}", "on"), (f"input {name}", "off")]
    machine.close()


async def test_what_the_rig_itself_has_stays_as_it_is():
    clock = HandClock()
    at, machine = panel(clock, faults=(InputChange(0, InputState(leak=True)),))
    clock.jump(1.0)
    at.answer("guard_open on")
    at.answer("leak off")
    state = await at.read()
    assert (state.leak, state.guard_open, state.emergency_stop) == (True, True, False)
    machine.close()


@pytest.mark.parametrize(
    "line", ["", "guard_open", "guard_open yes", "oil_temperature on", "guard on", "a " * 90]
)
def test_what_it_does_not_know_is_refused_and_changes_nothing(line):
    at, machine = panel(HandClock())
    assert at.answer(line).startswith("refused: ")
    assert at.answer("state") == "state"
    machine.close()


async def said(reader, writer, line):
    writer.write(line.encode())
    return (await asyncio.wait_for(reader.readline(), 5.0)).decode()


async def test_the_socket_is_for_its_user_alone_and_goes_with_the_rig(tmp_path):
    path = tmp_path / "panel"
    at, machine = panel(SystemClock())
    async with panel_open(path, at):
        assert stat.S_IMODE(os.stat(path).st_mode) & 0o077 == 0
        first, second = [await asyncio.open_unix_connection(str(path)) for _ in range(2)]
        assert (await said(*first, "leak on\n")).startswith("done leak on ")
        assert await said(*second, "state\n") == "state leak\n"
        first[1].close()
        # Whoever goes leaves it as it is, as a latched button.
        assert await said(*second, "state\n") == "state leak\n"
    assert not path.exists()
    assert await second[0].read() == b""
    second[1].close()
    machine.close()


async def test_a_line_without_an_end_ends_the_talk_and_nothing_else(tmp_path):
    path = tmp_path / "panel"
    at, machine = panel(SystemClock())
    async with panel_open(path, at):
        reader, writer = await asyncio.open_unix_connection(str(path))
        writer.write(b"x" * 5000)
        assert await asyncio.wait_for(reader.read(), 5.0) == b""
        writer.close()
        reader, writer = await asyncio.open_unix_connection(str(path))
        assert await said(reader, writer, "state\n") == "state\n"
        writer.close()
    machine.close()


async def test_a_path_that_cannot_be_a_socket_is_refused(tmp_path):
    at, machine = panel(SystemClock())
    taken = tmp_path / "taken"
    taken.write_text("mine")
    for path, why in ((taken, "already exists"), (tmp_path / ("x" * 120), "too long")):
        with pytest.raises(InputError, match=why):
            async with panel_open(path, at):
                pass
    assert taken.read_text() == "mine"
    async with panel_open(None, at):
        pass
    machine.close()
