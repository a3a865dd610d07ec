"""The contract suite: drivers that keep their promises pass it, and each broken one is named."""

from __future__ import annotations

import asyncio
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from drivers.contract import (
    test_actuator,
    test_closing,
    test_devices,
    test_limits,
    test_opening,
    test_samples,
    test_stopping,
)
from drivers.contract.bench import Bench
from drivers.contract.place import Broken, Place
from rig.commands.rig_alone import load_rig_alone
from rig.errors import DeviceError
from rig.ports import ActuatorStatus, LineReport, Rig
from tests.wire.live import a_wire_night

SUITE = [sys.executable, "-P", "-m", "drivers.contract"]


def tried(*words: str, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """Run the suite as somebody does who wrote a driver."""
    return subprocess.run(
        [*SUITE, *words],
        env=os.environ | (env or {}),
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )


def test_the_simulated_rig_keeps_every_promise():
    done = tried()
    assert done.returncode == 0, done.stdout
    assert "39 passed" in done.stdout


@pytest.mark.nights
def test_a_rig_file_that_cannot_be_read_is_one_line(tmp_path):
    done = tried("--rig", str(tmp_path / "none.toml"))
    assert done.returncode == 4, "pytest's code for wrong words"
    assert "none.toml: cannot read" in done.stderr
    assert "Traceback" not in done.stderr + done.stdout


@pytest.mark.nights
@pytest.mark.timeout(240)
@pytest.mark.xdist_group("live")
def test_the_serial_driver_keeps_every_promise_on_emulated_devices(tmp_path):
    with a_wire_night(tmp_path) as night:
        suite = ["--driver", "serial", "--rig", str(tmp_path / "rig.toml")]
        done = tried(*suite, env=night.env)
        if done.returncode == 1:
            # On a computer that is busy with other tests emulated devices answer late.
            done = tried(*suite, env=night.env)
        assert done.returncode == 0, done.stdout
        assert re.search(r"^\d+ passed in", done.stdout, re.MULTILINE), done.stdout
        assert night.end_emulation() == 0


class Changed:
    """A device some of whose methods are others."""

    def __init__(self, device: object, **methods: Any) -> None:
        self._device = device
        self.__dict__ |= methods

    def __getattr__(self, name: str) -> Any:
        return getattr(self._device, name)


class Elsewhere(Place):
    """A simulated rig with something wrong about it."""

    def __init__(self, wrong: Callable[[Rig], Rig], rig: str | None = None) -> None:
        super().__init__(load_rig_alone(rig))
        self._wrong = wrong

    async def open(self, plan=None) -> Rig:
        return self._wrong(await super().open(plan))


def jumps(rig: Rig) -> Rig:
    """Leave lost frames out instead of filling them up."""
    ahead = iter(range(1000))

    async def read(frames: int):
        block = await rig.acquisition.read(frames)
        return replace(block, first=block.first + next(ahead))

    return replace(rig, acquisition=Changed(rig.acquisition, read=read))


def in_micrometres(rig: Rig) -> Rig:
    """Forget the unit of a channel."""

    async def read(frames: int):
        block = await rig.acquisition.read(frames)
        values = block.values.copy()
        values[block.channels.index("midspan")] *= 1e6
        return replace(block, values=values)

    return replace(rig, acquisition=Changed(rig.acquisition, read=read))


def in_double(rig: Rig) -> Rig:
    async def read(frames: int):
        block = await rig.acquisition.read(frames)
        return replace(block, values=block.values.astype(np.float64))

    return replace(rig, acquisition=Changed(rig.acquisition, read=read))


def keeps_a_part(rig: Rig) -> Rig:
    held = []

    async def read(frames: int):
        held[:] = [await rig.acquisition.read(frames)]
        return held[0]

    async def keep(_frames: int) -> None:
        await rig.acquisition.keep(held[0].frames)

    return replace(rig, acquisition=Changed(rig.acquisition, read=read, keep=keep))


def drops_every_second_frame(rig: Rig) -> Rig:
    """Give half of the frames, numbered as if nothing had been lost."""
    given = [0]

    async def read(frames: int):
        block = await rig.acquisition.read(2 * frames)
        first, given[0] = given[0], given[0] + frames
        return replace(block, first=first, values=block.values[:, ::2])

    async def keep(frames: int) -> None:
        await rig.acquisition.keep(2 * frames)

    return replace(rig, acquisition=Changed(rig.acquisition, read=read, keep=keep))


def forgets_slow(rig: Rig) -> Rig:
    async def slow() -> dict[str, float]:
        return {}

    return replace(rig, acquisition=Changed(rig.acquisition, slow=slow))


def actuator(rig: Rig, **methods: Any) -> Rig:
    return replace(rig, actuator=Changed(rig.actuator, **methods))


def clamps(rig: Rig) -> Rig:
    """Move as far as it goes instead of refusing."""

    async def move_stroke(to: float, speed: float) -> None:
        able = rig.actuator.range
        to = min(max(to, able.stroke_low), able.stroke_high)
        await rig.actuator.move_stroke(to, min(speed, able.speed) or 1e-3)

    return actuator(rig, move_stroke=move_stroke)


def refuses_in_another_word(rig: Rig) -> Rig:
    async def move_stroke(to: float, speed: float) -> None:
        try:
            await rig.actuator.move_stroke(to, speed)
        except DeviceError as error:
            raise DeviceError(str(error)) from None

    return actuator(rig, move_stroke=move_stroke)


def stands_always(rig: Rig) -> Rig:
    async def status() -> ActuatorStatus:
        return replace(await rig.actuator.status(), moving=False)

    return actuator(rig, status=status)


def hangs(rig: Rig) -> Rig:
    async def status() -> ActuatorStatus:
        await asyncio.sleep(3600)
        return await rig.actuator.status()

    return actuator(rig, status=status)


def moves_at_low_pressure(rig: Rig) -> Rig:
    """Say low, and give all there is."""
    said = ["off"]

    async def pressure(level) -> None:
        said[0] = level
        await rig.actuator.pressure("high" if level == "low" else level)

    async def status() -> ActuatorStatus:
        return replace(await rig.actuator.status(), pressure=said[0])

    return actuator(rig, pressure=pressure, status=status)


def on_when_opened(rig: Rig) -> Rig:
    async def status() -> ActuatorStatus:
        return replace(await rig.actuator.status(), pressure="low")

    return actuator(rig, status=status)


def counts_no_stop(rig: Rig) -> Rig:
    async def stop_at(_count) -> None:
        return

    return actuator(rig, stop_at=stop_at)


def swings_too_little(rig: Rig) -> Rig:
    async def cycle(mean: float, amplitude: float, frequency: float, over: float) -> None:
        await rig.actuator.cycle(mean, 0.7 * amplitude, frequency, over)

    return actuator(rig, cycle=cycle)


def rounds_limits(rig: Rig) -> Rig:
    async def read_limits() -> dict[str, tuple[float, float]]:
        return {
            name: (low, 1.001 * high)
            for name, (low, high) in (await rig.actuator.read_limits()).items()
        }

    return actuator(rig, read_limits=read_limits)


def only_keeps_limits(rig: Rig) -> Rig:
    """Remember limits and hold nothing against them."""
    kept: dict[str, tuple[float, float]] = {}

    async def write_limits(limits) -> None:
        kept.update(limits)

    async def read_limits() -> dict[str, tuple[float, float]]:
        return kept

    return actuator(rig, write_limits=write_limits, read_limits=read_limits)


def valve_sticks(rig: Rig) -> Rig:
    async def close_valve() -> None:
        if not (await rig.actuator.status()).moving:
            await rig.actuator.close_valve()

    return actuator(rig, close_valve=close_valve)


def beats_by_itself(rig: Rig) -> Rig:
    """Send heartbeats whatever the program does: its watchdog watches nothing."""

    async def status() -> ActuatorStatus:
        await rig.actuator.heartbeat()
        return await rig.actuator.status()

    return actuator(rig, status=status)


def hears_no_heartbeat(rig: Rig) -> Rig:
    async def heartbeat() -> None:
        return

    return actuator(rig, heartbeat=heartbeat)


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


def shows_out_of_order(rig: Rig) -> Rig:
    """Show each frame twice at the post."""
    glances: list[Any] = [None]

    async def read(frames: int):
        block = await rig.acquisition.read(frames)
        for _ in range(2):
            if glances[0] is not None:
                glances[0](block)
        return block

    post = Changed(None, stand=lambda glance: glances.__setitem__(0, glance))
    return replace(rig, acquisition=Changed(rig.acquisition, read=read), post=post)


@dataclass(frozen=True)
class Case:
    """Something wrong with a rig, the test that must find it, and what that says."""

    wrong: Callable[[Rig], Rig]
    test: Callable[..., Any]
    says: str
    rig: str | None = None
    words: tuple[str, ...] = ()


CASES = [
    Case(jumps, test_samples.test_frames_follow_each_other_without_a_hole, "a block begins at"),
    Case(in_double, test_samples.test_blocks_have_their_form, "float64, not float32"),
    Case(in_micrometres, test_samples.test_values_are_in_si, "in another unit"),
    Case(
        keeps_a_part,
        test_samples.test_a_block_is_kept_before_the_next_is_read,
        "more than was read was not refused",
    ),
    Case(drops_every_second_frame, test_samples.test_frames_keep_pace_with_time, "came in the"),
    Case(
        forgets_slow, test_samples.test_slow_channels_have_their_names, "it names", "simulated-full"
    ),
    Case(
        shows_out_of_order,
        test_samples.test_frames_are_shown_the_moment_they_arrive,
        "out of order",
    ),
    Case(hangs, test_devices.test_answers_come_in_time, "not come back within 2 s"),
    Case(oil_in_celsius, test_devices.test_inputs_answer_in_kind, "no temperature in kelvin"),
    Case(
        no_horn,
        test_devices.test_pump_and_horn_are_there_where_the_rig_file_has_them,
        "has a horn or lamp",
    ),
    Case(never_runs, test_devices.test_the_pump_runs_and_stops, "after it was switched on"),
    Case(tells_again, test_devices.test_lines_say_how_they_are, "tells again"),
    Case(clamps, test_actuator.test_what_is_out_of_range_is_refused, "was not refused"),
    Case(
        refuses_in_another_word,
        test_actuator.test_what_is_out_of_range_is_refused,
        "DeviceError, not SetpointRefused",
    ),
    Case(stands_always, test_actuator.test_it_goes_to_a_stroke_and_says_so, "while it ramps"),
    Case(moves_at_low_pressure, test_actuator.test_low_pressure_holds_the_rod, "was not refused"),
    Case(swings_too_little, test_actuator.test_it_cycles_and_counts, "does not cycle about"),
    Case(counts_no_stop, test_actuator.test_it_stops_at_its_count, "has not ended"),
    Case(rounds_limits, test_limits.test_limits_read_back_as_written, "reads back as"),
    Case(
        only_keeps_limits,
        test_limits.test_the_controller_stops_at_its_own_limit,
        "nothing stopped it",
    ),
    Case(
        valve_sticks,
        test_stopping.test_the_valve_closes_from_every_state,
        "valve does not close",
        words=("while cycling",),
    ),
    Case(
        beats_by_itself,
        test_stopping.test_without_heartbeats_it_stops_by_itself,
        "does not stop it",
        words=("cycling",),
    ),
    Case(hears_no_heartbeat, test_stopping.test_heartbeats_keep_it_going, "stopped by watchdog"),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.wrong.__name__)
def test_what_a_driver_does_not_keep_is_named(case):
    place = Elsewhere(case.wrong, case.rig)
    bench = Bench(place)
    try:
        place.run(bench.begin())
        with pytest.raises(Broken, match=case.says):
            place.run(case.test(bench, *case.words))
    finally:
        place.run(place.close(bench.rig))
        place.end()


def test_a_pressure_that_is_on_when_a_rig_is_opened_is_named():
    place = Elsewhere(on_when_opened)
    try:
        with pytest.raises(Broken, match="opened with pressure low"):
            place.run(test_opening.test_a_rig_stands_when_it_is_opened(place))
    finally:
        place.end()


def test_an_emulated_rig_by_the_word_of_its_file_is_named():
    def by_settings(rig: Rig) -> Rig:
        return replace(rig, emulated=not place.asked)

    class Believing(Elsewhere):
        asked = False

        async def open(self, plan=None) -> Rig:
            self.asked = plan is not None and plan.settings["emulated"] is False
            return await super().open(plan)

    place = Believing(by_settings)
    try:
        with pytest.raises(Broken, match="with other words in its rig file"):
            place.run(test_opening.test_only_the_devices_say_that_they_are_emulated(place))
    finally:
        place.end()


def test_what_closing_leaves_behind_is_named():
    ended = threading.Event()
    reader = threading.Thread(target=ended.wait, name="line of the tests")

    def leaves_a_thread(rig: Rig) -> Rig:
        if not reader.is_alive():
            reader.start()
        return rig

    place = Elsewhere(leaves_a_thread)
    try:
        with pytest.raises(Broken, match="threads still run after closing: line of the tests"):
            place.run(test_opening.test_closing_ends_every_thread_port_and_task(place))
    finally:
        ended.set()
        reader.join()
        place.end()


def test_a_port_that_stays_open_is_named():
    primary, secondary = os.openpty()
    held: list[int] = []

    def leaves_a_port(rig: Rig) -> Rig:
        held.append(os.open(os.ttyname(secondary), os.O_RDWR | os.O_NOCTTY))
        return rig

    place = Elsewhere(leaves_a_port)
    bench = Bench(place)
    try:
        place.run(bench.begin())
        with pytest.raises(Broken, match="ports are still open after closing: /dev/pts"):
            place.run(test_closing.test_a_rig_at_work_closes(bench))
    finally:
        place.end()
        for file in (primary, secondary, *held):
            os.close(file)
