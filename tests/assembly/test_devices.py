"""Drivers are found by name alone; one that is missing or broken is one line."""

from __future__ import annotations

import contextlib
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from rig.assembly.devices import close, find_driver, open_rig
from rig.clock import SystemClock
from rig.commands.files import load
from rig.errors import DeviceError, InputError
from rig.ports import Rig
from tests.assembly.offered import offer

MODULES = {
    "works_not": "raise OSError('no such library')",
    "opens_not": "async def open_rig(plan, clock):\n    raise OSError('port is busy')",
    "opens_nothing": "async def open_rig(plan, clock):\n    return 7",
    "never_asked": "import sys\nsys.modules['never_asked_was_loaded'] = sys",
}


@pytest.fixture
def installed(tmp_path: Path, monkeypatch):
    """Install small distributions, each with one driver of its module's name."""
    for name, source in MODULES.items():
        (tmp_path / f"{name}.py").write_text(source)
        offer(tmp_path, name)
    monkeypatch.syspath_prepend(str(tmp_path))


def plan_with(driver: str):
    plan = load("dry-short", None)
    return replace(plan, rig=replace(plan.rig, driver=driver))


async def test_the_simulated_rig_needs_no_driver_and_answers_as_emulated():
    rig = await open_rig(plan_with("simulated"), 1, SystemClock())
    assert rig.emulated
    await close(rig)


@pytest.mark.parametrize(("limits", "speed"), [("controller", 0.1), ("software only", 0.01)])
async def test_without_limits_in_the_controller_the_actuator_is_slow(limits, speed):
    plan = plan_with("simulated")
    actuator = replace(plan.rig.actuator, limits=limits)
    rig = await open_rig(replace(plan, rig=replace(plan.rig, actuator=actuator)), 1, SystemClock())
    assert rig.actuator.range.speed == speed
    await close(rig)


def test_a_driver_that_is_not_installed_is_refused_with_those_that_are(installed):
    with pytest.raises(InputError) as refused:
        find_driver("frame_7")
    said = str(refused.value)
    assert "frame_7" in said
    assert "opens_not" in said
    assert "simulated" in said


async def test_a_driver_that_cannot_be_loaded_is_one_line_of_bad_input(installed):
    with pytest.raises(InputError, match=r"cannot be loaded .*no such library"):
        await open_rig(plan_with("works_not"), 1, SystemClock())


@pytest.mark.parametrize(
    ("name", "phrase"), [("opens_not", "port is busy"), ("opens_nothing", "no rig but int")]
)
async def test_a_driver_that_opens_no_rig_is_a_device_error(installed, name, phrase):
    with pytest.raises(DeviceError, match=phrase):
        await open_rig(plan_with(name), 1, SystemClock())


def test_looking_for_a_driver_loads_none(installed):
    find_driver("never_asked")
    assert "never_asked" not in sys.modules
    assert "never_asked_was_loaded" not in sys.modules


def test_two_drivers_of_one_name_are_refused(installed, tmp_path):
    offer(tmp_path, "opens_not", "other", "other")
    with pytest.raises(InputError, match="installed twice"):
        find_driver("opens_not")


class Ports:
    """Two ends of a rig that end, or fail to."""

    def __init__(self, error: Exception | None = None) -> None:
        self.ended: list[str] = []
        self.error = error

    async def close(self) -> None:
        self.ended.append("acquisition")
        if self.error is not None:
            raise self.error

    async def closing(self) -> None:
        self.ended.append("ports")


@pytest.mark.parametrize("error", [None, OSError(5, "Input/output error")])
async def test_closing_a_rig_ends_its_ports_whatever_becomes_of_the_rest(error):
    ports = Ports(error)
    rig = Rig(None, ports, None, None, emulated=True, closing=ports.closing)
    with pytest.raises(OSError, match="Input") if error else contextlib.nullcontext():
        await close(rig)
    assert ports.ended == ["acquisition", "ports"]
