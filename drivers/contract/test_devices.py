"""What stands beside the actuator: inputs, pump, horn, lines; and how soon all of it answers."""

from __future__ import annotations

from dataclasses import fields
from typing import Final

import pytest

from drivers.contract.bench import Bench
from drivers.contract.place import promise
from rig.ports import InputState, LineReport, PumpStatus

PROMPT: Final = 0.25
"""Time [s] that a live test waits for an answer before it takes the device for lost."""
ASKED: Final = 20
RUNS_WITHIN: Final = 8.0
"""Time [s] in which an emulated pump must run and its flow must show."""
COLDEST, HOTTEST = 223.0, 423.0  # [K]


async def test_answers_come_in_time(bench: Bench) -> None:
    """State and inputs answer within a quarter of a second, as a live test wants them."""
    took = []
    for _ in range(ASKED):
        for ask in (bench.actuator.status, bench.rig.inputs.read):
            began = bench.clock.now()
            await bench.call("a question", ask())
            took.append(bench.clock.now() - began)
    late = sum(1 for seconds in took if seconds > PROMPT)
    promise(late <= 1, f"{late} of {len(took)} answers took longer than {PROMPT:g} s")


async def test_inputs_answer_in_kind(bench: Bench) -> None:
    """The inputs are yes or no, oil in kelvin where it is measured."""
    state = await bench.call("inputs.read", bench.rig.inputs.read())
    promise(isinstance(state, InputState), f"it answers {state!r}")
    for field in fields(state):
        value = getattr(state, field.name)
        if field.name == "oil_temperature":
            fits = value is None or COLDEST < value < HOTTEST
            promise(fits, f"oil at {value} is no temperature in kelvin")
        else:
            promise(isinstance(value, bool), f"{field.name} is {value!r}, neither True nor False")


async def test_pump_and_horn_are_there_where_the_rig_file_has_them(bench: Bench) -> None:
    """A pump and a horn are there exactly where the rig file names them."""
    pump = bench.plan.pump is not None
    promise((bench.rig.pump is not None) == pump, f"the rig file has {'a' if pump else 'no'} pump")
    if bench.plan.warning is not None:
        promise(bench.rig.horn is not None, "the rig file has a horn or lamp")


async def test_the_pump_runs_and_stops(moving: Bench) -> None:
    """The pump says that it is on, its flow shows, and it is off when it is told so."""
    pump = moving.rig.pump
    if pump is None:
        pytest.skip("this rig has no pump")
    try:
        await moving.call("pump on", pump.set(True))
        status = await _pump_until(moving, on=True)
        promise(status.flow is None or status.flow > 0, f"it runs and gives {status.flow} m3/s")
    finally:
        await moving.call("pump off", pump.set(False))
    await _pump_until(moving, on=False)


async def _pump_until(bench: Bench, *, on: bool) -> PumpStatus:
    """Wait until the pump is as told, and where it is on until its flow shows."""
    pump = bench.rig.pump
    if pump is None:
        raise ValueError("no pump to wait for")
    began = bench.clock.now()
    while True:
        status = await bench.call("pump.status", pump.status())
        if status.on == on and not (on and status.flow == 0):
            return status
        word = "on" if on else "off"
        promise(
            bench.clock.now() - began < RUNS_WITHIN,
            f"{RUNS_WITHIN:g} s after it was switched {word} it says {status}",
        )
        await bench.pause(0.05)


async def test_the_horn_is_switched(moving: Bench) -> None:
    """The horn takes on and off."""
    horn = moving.rig.horn
    if horn is None:
        pytest.skip("this rig has no horn or lamp")
    await moving.call("horn on", horn.set(True))
    await moving.call("horn off", horn.set(False))


async def test_lines_say_how_they_are(bench: Bench) -> None:
    """Where there are lines, each says who answers, and what happened is told once."""
    lines = bench.rig.lines
    if lines is None:
        pytest.skip("this rig has no lines")
    reports = lines.report()
    promise(bool(reports), "it has lines, and reports of none")
    for report in reports:
        promise(isinstance(report, LineReport), f"it reports {report!r}")
        promise(not report.trouble, f"{report.port}: {report.trouble}")
        promise(report.good > 0, f"{report.port}: nothing good has come over it")
        promise(bool(report.who), f"{report.port}: nobody has said who he is")
    lines.told()
    again = lines.told()
    promise(len(again) == 0, f"it tells again what was told: {again[:1]}")
