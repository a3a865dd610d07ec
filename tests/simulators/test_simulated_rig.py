"""The simulated rig through its ports: repeatable frames, controller, specimen, water."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.errors import DeviceError, SetpointRefused
from rig.ports import InputState, Rig
from simulators.faults import Flat, InputChange, Missing, NoFlow, Spike
from simulators.lasting import life_factor, median_life
from tests.simulators.driving import (
    AMPLITUDE,
    CHANNELS,
    MEAN,
    QUIET,
    SLOW,
    TRUTH,
    UPPER,
    Script,
    contact,
    drive,
    fatigue,
    finish,
    play,
    setup,
    take,
)


def script(frequency: float) -> Script:
    """Commands by frame: a whole short life, water, correction, limits, end."""
    a = lambda name, *args: lambda rig: getattr(rig.actuator, name)(*args)  # noqa: E731
    return [
        (0, a("pressure", "high")),
        (3, a("move_stroke", 2.1e-3, 5e-3)),
        (111, a("move_load", 70e3, 100e3)),
        (303, a("move_load", MEAN, 200e3)),
        (350, a("cycle", MEAN, AMPLITUDE, frequency, 1.0)),
        (777, a("adjust", MEAN + 200, 1.02 * AMPLITUDE)),
        (1000, lambda rig: rig.pump.set(True)),
        (1501, a("stop_at", 40)),
        (1502, a("write_limits", {"load": (-1e3, 1.3 * UPPER), "stroke": (-0.1, 0.02)})),
        (3000, a("cycle", MEAN, 1.2 * AMPLITUDE, frequency, 0.5)),
        (3300, a("end_cycling", 1.0)),
        (3600, a("move_load", 150e3, 100e3)),
    ]


TOTAL = 4200
REFERENCE: dict[float, np.ndarray] = {}


@pytest.mark.nights
@settings(max_examples=20, deadline=None)
@given(
    cuts=st.lists(
        st.integers(1, 900).flatmap(lambda r: st.tuples(st.just(r), st.integers(1, r))),
        min_size=1,
        max_size=5,
    ).filter(lambda cuts: sum(k for _, k in cuts) > 30 * len(cuts)),
    frequency=st.sampled_from([4.0, 3.7]),
)
def test_kept_frames_do_not_depend_on_how_they_are_read(
    cuts: list[tuple[int, int]], frequency: float
) -> None:
    """Sizes of read and keep leave every bit alone, across commands, count stop and collapse."""
    made = setup(
        channels=CHANNELS, exposure="spray", life_scale=2e-4, wet_factor=10.0, faults=FAULTS
    )
    if frequency not in REFERENCE:
        REFERENCE[frequency] = drive(
            made, lambda rig: play(rig, script(frequency), [(97, 97)], TOTAL)
        )
    got = drive(made, lambda rig: play(rig, script(frequency), cuts, TOTAL))
    assert got.tobytes() == REFERENCE[frequency].tobytes()


FAULTS = (
    Missing("midspan", 600, 640),
    Flat("support_left", 900, 1300),
    Spike("load", 1400, 5e3),
    NoFlow(1100, 1200),
    InputChange(1600, InputState(guard_open=True)),
)


def test_same_seed_gives_the_same_bits_and_another_seed_does_not() -> None:
    """A rehearsal is repeatable."""
    made = setup(channels=CHANNELS)
    one, two, other = (
        drive(made, lambda rig: play(rig, script(4.0), [(500, 500)], 1500), seed)
        for seed in (3, 3, 4)
    )
    assert one.tobytes() == two.tobytes()
    assert one.tobytes() != other.tobytes()


def test_snapshot_restores_the_stream() -> None:
    """A rig restarted from a snapshot gives the frames the first one would have given."""

    async def job(rig: Rig) -> tuple[dict[str, Any], np.ndarray]:
        await fatigue(rig)
        await take(rig, 1234)
        kept = rig.acquisition.snapshot()  # type: ignore[attr-defined]
        return kept, await take(rig, 2000)

    made = setup(channels=CHANNELS)
    kept, expected = drive(made, job)

    async def again(rig: Rig) -> np.ndarray:
        rig.acquisition.restore(kept)  # type: ignore[attr-defined]
        return await take(rig, 2000)

    assert drive(made, again).tobytes() == expected.tobytes()


def test_a_second_read_without_keep_is_refused() -> None:
    """Nothing is lost between two reads."""

    async def job(rig: Rig) -> None:
        await rig.acquisition.read(10)
        with pytest.raises(DeviceError, match="kept"):
            await rig.acquisition.read(10)

    drive(setup(), job)


def test_uncracked_stiffness_is_that_of_the_beam() -> None:
    """Below cracking load over net deflection is the truth's stiffness."""

    async def job(rig: Rig) -> np.ndarray:
        await contact(rig)
        await rig.actuator.move_load(0.9 * TRUTH.cracking_load, 20e3)
        return await finish(rig)

    load, net, _, _ = drive(setup(), job)[:, 50:400]
    slope = np.polyfit(net, load, 1)[0]
    assert slope == pytest.approx(TRUTH.stiffness, rel=1e-3)


@pytest.mark.parametrize("ending", ["gradual", "brittle"])
def test_a_static_test_reaches_the_ultimate_load_and_falls(ending: str) -> None:
    """Deflection control passes the ultimate load and loses more than 20 % after it."""

    async def job(rig: Rig) -> np.ndarray:
        await contact(rig)
        await rig.actuator.move_deflection(40e-3, 1e-3)
        return await finish(rig)

    load = drive(setup(ending=ending), job)[0]
    assert load.max() == pytest.approx(TRUTH.ultimate_load, rel=0.01)
    assert load[-1] < 0.8 * load.max()


def test_load_control_beyond_the_ultimate_load_collapses() -> None:
    """Nothing carries the load: it falls under 30 % and the stroke runs away."""

    async def job(rig: Rig) -> np.ndarray:
        await contact(rig)
        await rig.actuator.move_load(150e3, 50e3)
        return await take(rig, 1200)

    load, net, _, _ = drive(setup(), job)
    assert load.max() == pytest.approx(TRUTH.ultimate_load, rel=0.01)
    assert load[-1] < 0.3 * load.max()
    assert net[-1] > 2 * TRUTH.ultimate_deflection


def cycles_of(values: np.ndarray, per_cycle: int) -> np.ndarray:
    """Return stiffness (range over range) of each whole cycle."""
    whole = values.shape[1] // per_cycle
    shaped = values[:, : whole * per_cycle].reshape(len(values), whole, per_cycle)
    ranges = shaped.max(axis=2) - shaped.min(axis=2)
    return ranges[0] / ranges[1]


async def until_broken(rig: Rig, most: int = 4_000_000) -> np.ndarray:
    """Cycle until the load is lost."""
    await fatigue(rig)
    await take(rig, 500)
    parts = []
    for _ in range(most // 5000):
        parts.append(await take(rig, 5000, 5000))
        if parts[-1][0, -50:].max() < 0.5 * UPPER:
            break
    return np.concatenate(parts, axis=1)


@pytest.mark.nights
@pytest.mark.parametrize("ending", ["gradual", "brittle"])
def test_softening_is_monotone_and_ends_in_collapse(ending: str) -> None:
    """Stiffness never rises, has lost over 40 % at the end, and the load is then lost."""
    values = drive(setup(ending=ending, creep=0.0, bedding=0.0), until_broken)
    broken = int(np.argmax(values[1] > 1.05 * values[1][:100].max() * 2.6))
    stiffness = cycles_of(values[:, : broken - 100], 50)
    assert np.all(np.diff(stiffness) < 1e-4 * stiffness[0])
    assert stiffness[-1] < 0.6 * stiffness[0]
    assert values[0, -1] < 0.3 * UPPER


@pytest.mark.nights
def test_water_shortens_life() -> None:
    """Where bond is lost, a submerged specimen of one seed fails `wet_factor` times as early."""
    dry = drive(setup(scatter=0.0), until_broken).shape[1]
    wet = drive(setup(scatter=0.0, exposure="submerged", wet_factor=4.0), until_broken).shape[1]
    assert 3.0 < dry / wet < 5.0


def test_lives_over_seeds_are_log_normal_about_the_median() -> None:
    """200 specimens; bounds are 4 standard errors."""
    made = setup(scatter=0.15)
    logs = np.log10([life_factor(made, seed) for seed in range(200)])
    assert abs(np.median(logs)) < 4 * 1.2533 * 0.15 / np.sqrt(200)
    assert logs.std() == pytest.approx(0.15, rel=4 / np.sqrt(400))
    assert median_life(made) == pytest.approx(made.life_dry * made.life_scale)


def test_servo_falls_short_by_a_few_percent_and_adjust_makes_up_for_it() -> None:
    """At 4 Hz and 18 Hz bandwidth: 1/sqrt(1 + (4/18)^2), a first-order lag."""

    async def job(rig: Rig) -> tuple[np.ndarray, np.ndarray]:
        await fatigue(rig)
        await take(rig, 600)
        before = await take(rig, 500)
        await rig.actuator.adjust(MEAN, AMPLITUDE * np.hypot(1, 4 / 18))
        await take(rig, 100)
        return before[0], (await take(rig, 500))[0]

    before, after = drive(setup(life_scale=1.0), job)
    assert np.ptp(before) / 2 == pytest.approx(AMPLITUDE / np.hypot(1, 4 / 18), rel=2e-3)
    assert np.ptp(after) / 2 == pytest.approx(AMPLITUDE, rel=2e-3)


def test_controller_trips_at_its_own_limit_and_the_read_ends_at_the_next_tick() -> None:
    """Limit crossed: valve closed by itself, load gone in 50 ms, block ends at 20 ms."""

    async def job(rig: Rig) -> None:
        await rig.actuator.write_limits({"load": (-1e3, 30e3)})
        assert await rig.actuator.read_limits() == {"load": (-1e3, 30e3)}
        await contact(rig)
        await rig.actuator.move_load(60e3, 10e3)
        block = await rig.acquisition.read(5000)
        await rig.acquisition.keep(block.frames)
        assert block.end % 4 == 0
        assert 30e3 < block.of("load").max() <= 30e3 + 2.01 * 10e3 / 200
        status = await rig.actuator.status()
        assert (status.tripped, status.stopped_by, status.moving) == ("load", "limit", False)
        rest = await take(rig, 20)
        assert abs(rest[0, -1]) < 0.01 * 30e3
        assert np.ptp(rest[2]) == 0
        with pytest.raises(DeviceError, match="valve is closed"):
            await rig.actuator.hold()

    drive(setup(), job)


def test_cycling_stops_at_its_count() -> None:
    """The amplitude stays until the count, then dies away within 4 cycles and 2 s."""

    async def job(rig: Rig) -> np.ndarray:
        await fatigue(rig)
        await rig.actuator.stop_at(30)
        values = await finish(rig)
        status = await rig.actuator.status()
        assert status.stopped_by == "count"
        assert 30 <= status.counter <= 38
        return values

    load = drive(setup(), job)[0]
    assert np.ptp(load[29 * 50 : 30 * 50]) > 1.9 * AMPLITUDE
    assert np.ptp(load[-50:]) == 0


def test_watchdog_stops_a_moving_actuator_that_nobody_feeds() -> None:
    """Without heartbeats for over 500 ms of device time the controller unloads by itself."""

    async def job(rig: Rig) -> None:
        await fatigue(rig)
        await take(rig, 400, 20)
        assert (await rig.actuator.status()).stopped_by == ""
        await take(rig, 160, 20, feed=False)
        assert (await rig.actuator.status()).stopped_by == "watchdog"
        values = await take(rig, 3000, 20, feed=False)
        assert values[0, -1] == 0
        assert not (await rig.actuator.status()).moving

    drive(setup(), job)


def test_commands_beyond_the_range_are_refused_by_name_and_value() -> None:
    """Nothing moves; the message has value and range."""

    async def job(rig: Rig) -> None:
        await contact(rig)
        with pytest.raises(SetpointRefused, match=r"load 250000 N .*-5000 to 200000 N"):
            await rig.actuator.move_load(250e3, 1e3)
        with pytest.raises(SetpointRefused, match="frequency 12 Hz"):
            await rig.actuator.cycle(MEAN, 1e3, 12.0, 1.0)
        with pytest.raises(SetpointRefused, match="upper load"):
            await rig.actuator.cycle(190e3, 20e3, 4.0, 1.0)
        assert not (await rig.actuator.status()).moving

    drive(setup(), job)


def test_nothing_moves_without_pressure() -> None:
    """A command before pressure is on is an error."""

    async def job(rig: Rig) -> None:
        with pytest.raises(DeviceError, match="pressure is off"):
            await rig.actuator.move_stroke(1e-3, 1e-3)

    drive(setup(), job)


def test_pump_runs_up_empties_its_tank_and_stops_giving_water() -> None:
    """Flow rises over the run-up; the tank loses its integral; an empty tank gives none."""

    async def job(rig: Rig) -> None:
        assert rig.pump is not None
        await rig.pump.set(True)
        await take(rig, 300)
        middle = await rig.pump.status()
        assert middle.flow == pytest.approx(0.5 * 2e-5)
        await take(rig, 700)
        later = await rig.acquisition.slow()
        assert later["flow"] == pytest.approx(2e-5)
        assert later["tank"] == pytest.approx(1e-3 - 2e-5 * (5 - 1.5))
        await take(rig, 200 * 50)
        end = await rig.pump.status()
        assert (end.on, end.flow, end.tank) == (True, 0.0, 0.0)

    drive(setup(channels=QUIET + SLOW, pump_flow=2e-5, tank=1e-3), job)


def test_scripted_faults_show_in_the_frames() -> None:
    """Missing, flat, spike, no flow and an input change happen where they were told to."""

    async def job(rig: Rig) -> None:
        assert rig.pump is not None
        await rig.pump.set(True)
        values = await take(rig, 1150)
        assert np.isnan(values[1, 600:640]).all()
        assert not np.isnan(values[1, :600]).any()
        assert np.ptp(values[2, 900:1150]) == 0
        assert np.ptp(values[2, 640:890]) > 0
        assert (await rig.pump.status()).flow == 0
        more = await take(rig, 400)
        assert more[0, 250] > 4e3
        assert not (await rig.inputs.read()).guard_open
        await take(rig, 50)
        assert (await rig.inputs.read()).guard_open

    drive(setup(channels=CHANNELS, faults=FAULTS), job)


def test_noise_and_resolution_are_those_of_the_channel() -> None:
    """Standard deviation within 4 standard errors, every value on the grid of the resolution."""
    values = drive(setup(channels=CHANNELS), lambda rig: take(rig, 20_000, 20_000))
    load = values[0].astype(float)
    assert load.std() == pytest.approx(np.hypot(20, 2 / 12**0.5), rel=4 / np.sqrt(40_000))
    assert np.all(np.abs(load / 2 - np.rint(load / 2)) < 1e-6)
