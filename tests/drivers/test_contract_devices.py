"""The contract suite names drivers whose other devices do not answer as they must."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest

from drivers.contract import test_devices
from rig.ports import ActuatorStatus, LineReport, Rig
from tests.drivers.broken_rigs import Case, Changed, actuator


def hangs(rig: Rig) -> Rig:
    async def status() -> ActuatorStatus:
        await asyncio.sleep(3600)
        return await rig.actuator.status()

    return actuator(rig, status=status)


def never_runs(rig: Rig) -> Rig:
    async def set_(_on: bool) -> None:
        return

    return replace(rig, pump=Changed(rig.pump, set=set_))


def oil_in_celsius(rig: Rig) -> Rig:
    async def read():
        state = await rig.inputs.read()
        return replace(state, oil_temperature=38.0)

    return replace(rig, inputs=Changed(rig.inputs, read=read))


def no_horn(rig: Rig) -> Rig:
    return replace(rig, horn=None)


def tells_again(rig: Rig) -> Rig:
    report = LineReport("frame", "/dev/none", "text", who="a frame", good=1)
    lines = Changed(None, report=lambda: (report,), told=lambda: ("it was lost",))
    return replace(rig, lines=lines)


CASES = [
    Case(hangs, test_devices.test_answers_come_in_time, "not come back within 2 s"),
    Case(oil_in_celsius, test_devices.test_inputs_answer_in_kind, "no temperature in kelvin"),
    Case(
        no_horn,
        test_devices.test_pump_and_horn_are_there_where_the_rig_file_has_them,
        "has a horn or lamp",
    ),
    Case(never_runs, test_devices.test_the_pump_runs_and_stops, "after it was switched on"),
    Case(tells_again, test_devices.test_lines_say_how_they_are, "tells again"),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.wrong.__name__)
def test_what_another_device_does_not_keep_is_named(case):
    case.is_named()
