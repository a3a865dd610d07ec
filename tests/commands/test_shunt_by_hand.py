"""A shunt that somebody switches by hand: asked for on, and for off again whatever happens."""

from __future__ import annotations

import os
import sys
from dataclasses import replace

import pytest

from rig.assembly import shunt
from rig.commands import shunt as command
from rig.commands.consent import done_by_hand
from rig.errors import DeviceError, InputError, NotBegun
from tests.assembly.test_shunt import STATED, plan_with

NAME = f"frame {os.getpid()}"
"""No two rigs of one name are at work at once on one computer."""


def plan_here(*arguments, **more):
    plan = plan_with(*arguments, **more)
    return replace(plan, rig=replace(plan.rig, name=NAME))


@pytest.fixture
def terminal(monkeypatch):
    """Return a function that types lines on a terminal which is standard input."""
    primary, secondary = os.openpty()
    with os.fdopen(secondary, encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield lambda *lines: os.write(primary, "".join(f"{x}\n" for x in lines).encode())
    os.close(primary)


@pytest.fixture
def reads(monkeypatch):
    """Have a rig that is not emulated and has no relay read these values [N], or fail."""

    def have(*values: float | Exception):
        left = list(values)

        async def found(*_):
            return False, False

        async def reading(*_):
            value = left.pop(0)
            if isinstance(value, Exception):
                raise value
            return value

        monkeypatch.setattr(shunt, "found", found)
        monkeypatch.setattr(shunt, "_opened_reading", reading)

    return have


def test_a_person_switches_it_and_the_step_is_printed(terminal, reads, capsys):
    terminal("A. Name", "shunt", "what?", "on", "off")
    reads(20.1825, STATED + 20.1825, 25.0)
    assert command.try_shunt(plan_here(), "load", as_json=False) == 0
    said = capsys.readouterr()
    assert "CAUTION: The channel shows a load that is not there." in said.err
    assert said.err.count('Switch the shunt of load on, then type "on": ') == 2
    told = " ".join(said.out.split())
    assert f"load of {NAME}: 0.02 kN without, 83.42 kN with its shunt: " in told
    assert "83.4 kN more, the rig file says 83.4 kN (0.00%" in told


def test_another_step_ends_with_4(terminal, reads, capsys):
    terminal("A. Name", "shunt", "on", "off")
    reads(20.0, 81e3, 20.0)
    assert command.try_shunt(plan_here(), "load", as_json=True) == 4
    assert '"ok": false' in capsys.readouterr().out


def test_who_leaves_before_it_is_on_has_begun_nothing(terminal, reads):
    terminal("A. Name", "shunt", "\x04")
    reads(20.0)
    with pytest.raises(NotBegun, match="was not said to be on"):
        command.try_shunt(plan_here(), "load", as_json=False)


@pytest.mark.parametrize("on", [STATED, DeviceError("frame: no sample")])
def test_who_leaves_before_it_is_off_is_told_that_it_may_still_be_on(terminal, reads, on):
    terminal("A. Name", "shunt", "on", "\x04")
    reads(20.0, on)
    with pytest.raises(DeviceError, match="THE SHUNT OF load MAY STILL BE ON"):
        command.try_shunt(plan_here(), "load", as_json=False)


def test_an_emulated_rig_without_a_relay_has_nothing_to_switch(monkeypatch):
    async def found(*_):
        return True, False

    monkeypatch.setattr(shunt, "found", found)
    inside = plan_here()
    with pytest.raises(InputError, match="simulated inside this program and has no shunt"):
        command.try_shunt(inside, "load", as_json=False)
    behind_lines = replace(inside, rig=replace(inside.rig, driver="serial"))
    with pytest.raises(InputError, match='has no point "shunt": add one'):
        command.try_shunt(behind_lines, "load", as_json=False)


def test_without_a_terminal_nobody_is_asked(monkeypatch, reads):
    reads(20.0)
    with open(os.devnull, encoding="utf-8") as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        with pytest.raises(InputError, match="only a person at a terminal"):
            command.try_shunt(plan_here(), "load", as_json=False)
        assert not done_by_hand("Switch it off", "off")


def test_a_rig_file_without_a_shunt_is_refused_before_anything_is_opened():
    with pytest.raises(InputError, match="states no shunt for midspan"):
        command.try_shunt(plan_here(), "midspan", as_json=False)
