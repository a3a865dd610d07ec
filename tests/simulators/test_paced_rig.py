"""The rig paced by a clock: what happens happens, whoever looks."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.clock import SystemClock, VirtualClock
from rig.errors import DeviceError
from rig.ports import InputState, Rig
from simulators.faults import Flat, InputChange, Late, Missing, Silent, Spike
from simulators.rig import simulated_rig
from tests.simulators.driving import (
    AMPLITUDE,
    CHANNELS,
    MEAN,
    QUIET,
    UPPER,
    HandClock,
    drive,
    fatigue,
    setup,
    take,
)

RATE = 200
DAY = 86400

Command = Callable[[Rig], Awaitable[Any]]
Done = list[tuple[int, Command, str]]
"""Frame, command and what it answered."""


def named(name: str, *values: Any) -> Command:
    """Return a command to the actuator."""
    return lambda rig: getattr(rig.actuator, name)(*values)


LIFE: tuple[Command, ...] = (
    named("pressure", "high"),
    named("move_stroke", 2.3e-3, 20e-3),
    named("move_load", MEAN, 400e3),
    named("cycle", MEAN, 0.5 * AMPLITUDE, 8.0, 0.5),
    named("adjust", MEAN, AMPLITUDE),
    named("stop_at", 12),
    lambda rig: rig.pump.set(True) if rig.pump else rig.actuator.heartbeat(),
    named("write_limits", {"load": (-2e3, 1.05 * UPPER)}),
    named("cycle", MEAN, AMPLITUDE, 3.7, 0.5),
    named("end_cycling", 0.7),
    named("move_load", 1.2 * UPPER, 200e3),
    named("pressure", "low"),
    named("pressure", "off"),
)
HEARTBEAT = named("heartbeat")
FAULTS = (
    Missing("midspan", 150, 190),
    Flat("support_left", 300, 420),
    Spike("load", 350, 5e3),
    InputChange(500, InputState(guard_open=True)),
    Silent(600, 640),
    Late(700, 0.4),
)
MADE = setup(channels=CHANNELS, exposure="spray", faults=FAULTS)


async def answer(rig: Rig, command: Command) -> str:
    """Give a command; return how it was refused, or nothing."""
    try:
        await command(rig)
    except DeviceError as refused:
        return str(refused)
    return ""


async def live(
    rig: Rig, clock: HandClock, steps: list[tuple[float, str, int]]
) -> tuple[np.ndarray, Done]:
    """Live through steps; return all frames and the commands with the frames they came at."""
    parts: list[np.ndarray] = []
    done: Done = []
    life = iter(LIFE)
    await rig.actuator.status()  # powers the rig on
    begin = clock.now()
    for seconds, what, frames in steps:
        clock.jump(seconds)
        if what == "read":
            block = await rig.acquisition.read(frames)
            parts.append(block.values.copy())
            await rig.acquisition.keep(block.frames)
            continue
        command = HEARTBEAT if what == "heartbeat" else next(life, HEARTBEAT)
        frame = int((clock.now() - begin) * RATE + 1e-6)
        done.append((frame, command, await answer(rig, command)))
    behind = int((clock.now() - begin) * RATE + 1e-6) - sum(p.shape[1] for p in parts)
    if behind:
        parts.append((await rig.acquisition.read(behind)).values.copy())
    return np.concatenate(parts, axis=1), done


async def replay(rig: Rig, done: Done, total: int) -> np.ndarray:
    """Give the same commands at the same frames, reading frame by frame."""
    parts: list[np.ndarray] = []
    at = 0
    for frame, command, said in [*done, (total, HEARTBEAT, "")]:
        if frame > at:
            parts.append(await take(rig, frame - at, 1, feed=False))
            at = frame
        assert await answer(rig, command) == said
    return np.concatenate(parts, axis=1)


STEP = st.one_of(
    st.tuples(st.floats(0, 0.05), st.just("read"), st.integers(1, 60)),
    st.tuples(st.floats(0, 0.6), st.just("command"), st.just(0)),
    st.tuples(st.floats(0, 0.4), st.just("heartbeat"), st.just(0)),
)


@settings(max_examples=30)
@given(steps=st.lists(STEP, min_size=20, max_size=50))
@pytest.mark.endurance
def test_a_paced_rig_gives_the_frames_of_one_that_waits_for_its_reader(
    steps: list[tuple[float, str, int]],
) -> None:
    """Late, early, cut anyhow, fed or not: commands at the same frames give the same bits."""
    clock = HandClock()
    got, done = drive(MADE, lambda rig: live(rig, clock, steps), pace=clock)
    expected = drive(MADE, lambda rig: replay(rig, done, got.shape[1]))
    assert got.tobytes() == expected.tobytes()


@pytest.mark.virtual
async def test_a_read_waits_until_its_last_frame_has_come_and_keep_does_not_wait() -> None:
    clock = VirtualClock()
    rig = simulated_rig(setup(), 1, clock, paced=True)
    begin = clock.now()
    for number in range(1, 6):
        block = await rig.acquisition.read(4)
        assert (block.first, block.frames) == (4 * number - 4, 4)
        assert clock.now() - begin == pytest.approx(0.02 * number, abs=1e-5)
        await rig.acquisition.keep(4)
    await rig.acquisition.close()  # type: ignore[attr-defined]


@pytest.mark.virtual
async def test_a_late_reader_gets_every_frame_at_once_and_then_waits_again() -> None:
    clock = VirtualClock()
    rig = simulated_rig(setup(), 1, clock, paced=True)
    await rig.actuator.status()
    begin = clock.now()
    await clock.sleep(10.0)
    for first in range(0, 2000, 100):
        block = await rig.acquisition.read(100)
        assert (block.first, block.frames) == (first, 100)
        await rig.acquisition.keep(100)
    assert clock.now() - begin == pytest.approx(10.0, abs=1e-5)
    await rig.acquisition.read(4)
    assert clock.now() - begin == pytest.approx(10.02, abs=1e-5)
    await rig.acquisition.close()  # type: ignore[attr-defined]


async def test_the_system_clock_paces_a_rig() -> None:
    """In real time: frames come in order, none before the clock has passed it."""
    clock = SystemClock()
    rig = simulated_rig(setup(), 1, clock, paced=True)
    begin = clock.now()
    for number in range(1, 11):
        block = await rig.acquisition.read(4)
        assert block.first == 4 * (number - 1)
        assert (clock.now() - begin) * RATE >= block.end - 1e-3
        await rig.acquisition.keep(4)
    await rig.acquisition.close()  # type: ignore[attr-defined]


def test_what_has_happened_is_kept_whole_or_not_at_all() -> None:
    async def job(rig: Rig) -> None:
        with pytest.raises(DeviceError, match="no block"):
            await rig.acquisition.keep(1)
        await rig.acquisition.read(10)
        with pytest.raises(DeviceError, match="5 of 10 frames cannot be kept"):
            await rig.acquisition.keep(5)
        with pytest.raises(DeviceError, match="kept"):
            await rig.acquisition.read(10)
        await rig.acquisition.keep(10)
        assert (await rig.acquisition.read(1)).first == 10

    drive(setup(), job, pace=HandClock())


def test_a_command_while_the_reader_is_behind_leaves_the_frames_before_it_alone() -> None:
    """The rod begins to move at the clock's frame, not where the reader stands."""
    clock = HandClock()

    async def job(rig: Rig) -> np.ndarray:
        await rig.actuator.pressure("high")
        await take(rig, 100)
        clock.jump(1.0)
        await rig.actuator.move_stroke(1e-3, 1e-3)
        return await take(rig, 420, 20)

    stroke = drive(setup(), job, pace=clock)[2]
    moved = np.flatnonzero(stroke != stroke[0])
    assert moved[0] == 200 + 1  # at frame 200 the ramp begins where it stood
    assert stroke[-1] == pytest.approx(1e-3)


async def cycling(rig: Rig) -> None:
    """Cycle at full amplitude, the last heartbeat just given."""
    await fatigue(rig, block=20)
    await take(rig, 1000, 20)


def amplitudes(load: np.ndarray) -> np.ndarray:
    """Return half the range of each whole cycle of 50 frames."""
    whole = load[: len(load) // 50 * 50].reshape(-1, 50)
    return np.ptp(whole, axis=1) / 2


def test_a_blocked_reader_finds_that_the_watchdog_stopped_the_rig_half_a_second_after() -> None:
    """IEC 60204-1 category 1: amplitude to zero over 2 s, then the load over 10 s."""
    clock = HandClock()

    async def job(rig: Rig) -> np.ndarray:
        await cycling(rig)
        clock.jump(3.0)
        assert (await rig.actuator.status()).stopped_by == "watchdog"
        await rig.actuator.heartbeat()  # too late: what is stopped stays stopped
        values = await take(rig, 3000, 20)
        status = await rig.actuator.status()
        assert (status.stopped_by, status.moving) == ("watchdog", False)
        return values

    load = drive(setup(life_scale=1.0), job, pace=clock)[0]
    full = amplitudes(load[:100])
    assert np.ptp(full) < 1e-3 * full[0]
    falling = amplitudes(load[100:500])
    assert np.all(np.diff(falling) < 0)
    assert falling[0] > 0.7 * full[0]  # from the 101st frame on, not before and not later
    assert np.ptp(load[502:552]) == pytest.approx(50 / 2000 * load[502], rel=0.1)
    assert load[-1] == 0


def test_the_watchdog_leaves_a_rig_alone_that_is_fed_by_a_reader_who_falls_behind() -> None:
    """Heartbeats count when they arrive, whatever was read by then."""
    clock = HandClock()

    async def job(rig: Rig) -> str:
        await cycling(rig)
        for _ in range(20):
            clock.jump(0.45)
            await take(rig, 20)
        return (await rig.actuator.status()).stopped_by

    assert drive(setup(life_scale=1.0), job, pace=clock) == ""


def test_during_a_night_of_suspension_the_device_stops_unloads_and_stands() -> None:
    """The clock jumps by 8 h; every frame of them can be read, block by block."""
    clock = HandClock()
    night = 8 * 3600 * RATE

    async def job(rig: Rig) -> None:
        await cycling(rig)
        clock.jump(8 * 3600.0)
        frames, load = 0, 1.0
        while frames < night:
            block = await rig.acquisition.read(min(40_000, night - frames))
            await rig.acquisition.keep(block.frames)
            frames += block.frames
            load = float(block.values[0, -1])
        assert load == 0
        assert (await rig.actuator.status()).stopped_by == "watchdog"

    drive(setup(), job, pace=clock)


def test_a_clock_that_stands_still_stops_the_device_and_leaves_it_as_it_was() -> None:
    """Monotonic time stood still: for a simulated rig no time has passed."""
    clock = HandClock()

    async def job(rig: Rig) -> None:
        await cycling(rig)
        first = (await rig.acquisition.read(1)).first
        await rig.acquisition.keep(1)
        for _ in range(1000):
            await rig.inputs.read()
            assert (await rig.actuator.status()).stopped_by == ""
        assert (await rig.acquisition.read(1)).first == first + 1

    drive(setup(), job, pace=clock)


def test_a_silent_acquisition_answers_no_read_until_it_is_back_and_its_samples_are_lost() -> None:
    clock = HandClock()

    async def job(rig: Rig) -> None:
        await take(rig, 98, 7)
        begin = clock.now()
        block = await rig.acquisition.read(4)
        assert (clock.now() - begin) * RATE == pytest.approx(900 - 98, abs=0.01)
        assert np.isnan(block.values).all(axis=0).tolist() == [False, False, True, True]
        await rig.acquisition.keep(4)
        rest = await take(rig, 850, 20)
        assert np.isnan(rest).all(axis=0).sum() == 900 - 102
        assert np.isfinite(rest[:, 900 - 102 :]).all()
        assert (clock.now() - begin) * RATE == pytest.approx(952 - 98, abs=0.01)

    drive(setup(faults=(Silent(100, 900),)), job, pace=clock)


def test_a_line_that_buffers_delays_samples_once_and_loses_none() -> None:
    clock = HandClock()

    async def job(rig: Rig) -> tuple[np.ndarray, list[float]]:
        begin, parts, came = clock.now(), [], []
        for _ in range(50):
            parts.append(await take(rig, 4, 4))
            came.append((clock.now() - begin) * RATE)
        return np.concatenate(parts, axis=1), came

    values, came = drive(setup(channels=CHANNELS, faults=(Late(40, 0.3),)), job, pace=clock)
    # Frames 40 to 99 come with the one that is 0.3 s, 60 frames, late.
    expected = [n if n <= 40 else max(n, 100) for n in range(4, 204, 4)]
    assert came == pytest.approx(expected, abs=0.01)
    prompt = drive(setup(channels=CHANNELS), lambda rig: take(rig, 200), pace=HandClock())
    assert values.tobytes() == prompt.tobytes()


def test_inputs_and_slow_channels_are_those_of_now_not_of_the_frame_last_read() -> None:
    clock = HandClock()
    made = setup(channels=QUIET, faults=(InputChange(150, InputState(mains_lost=True)),))

    async def job(rig: Rig) -> None:
        await take(rig, 100)
        assert not (await rig.inputs.read()).mains_lost
        clock.jump(0.5)
        assert (await rig.inputs.read()).mains_lost

    drive(made, job, pace=clock)


def test_a_snapshot_of_a_paced_rig_goes_on_from_its_frame() -> None:
    """The frames after it are those that would have come."""
    clock = HandClock()

    async def job(rig: Rig) -> tuple[Any, np.ndarray]:
        await cycling(rig)
        kept = rig.acquisition.snapshot()  # type: ignore[attr-defined]
        return kept, await take(rig, 500, 20)

    made = setup(channels=CHANNELS)
    kept, expected = drive(made, job, pace=clock)
    clock.jump(DAY)

    async def again(rig: Rig) -> np.ndarray:
        rig.acquisition.restore(kept)  # type: ignore[attr-defined]
        return await take(rig, 500, 20)

    assert drive(made, again, pace=clock).tobytes() == expected.tobytes()


def test_a_paced_rig_needs_a_clock() -> None:
    with pytest.raises(ValueError, match="needs a clock"):
        simulated_rig(setup(), 1, None, paced=True)
