"""Through its calibrations a rig is read, told and asked in true figures, at once and in blocks."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np
import pytest

from rig.channels import Channel
from rig.clock import VirtualClock
from rig.control.conditioned import conditioned
from rig.control.conditioning import Facts, Seen, condition, corrections, facts_of
from rig.ports import ActuatorRange, ActuatorStatus, Glance, Rig
from rig.protocol.plan import Plan
from rig.protocol.trust import Calibration, Frame, Trust
from rig.samples import SampleBlock
from simulators.devices import SimulatedInputs

CHANNELS = (
    Channel("load", "N", 5.0, -25e3, 260e3, 5.0),
    Channel("load_2", "N", 5.0, -25e3, 260e3, 5.0),
    Channel("midspan", "m", 1e-6, -5e-3, 50e-3, 1e-6),
    Channel("stroke", "m", 1e-6, -60e-3, 60e-3, 1e-6),
    Channel("temperature_air", "K", 0.1, 253.0, 333.0, slow=True),
)
NAMES = tuple(c.name for c in CHANNELS if not c.slow)
POINTS = {
    "load": ((0.0, 200.0), (100e3, 99e3), (250e3, 251e3)),
    "stroke": ((-60e-3, -60.6e-3), (60e-3, 60.6e-3)),
    "midspan": ((0.0, 0.0), (10e-3, 10.1e-3)),
    "temperature_air": ((273.15, 273.65), (323.15, 323.65)),
}


def trust(points: dict = POINTS, **more: object) -> Trust:
    day = date(2026, 3, 14)
    found = {
        name: Calibration(day, date(2027, 3, 14), "C-0000, invented", 1.0, (0.0, 1.0), pairs)
        for name, pairs in points.items()
    }
    return Trust(calibrations=found, **more)


@pytest.fixture
def plan(plan_of) -> Plan:
    """A plan whose rig has these channels and calibrations, and nothing that moves."""
    plain = plan_of("dry-short")
    return replace(plain, rig=replace(plain.rig, channels=CHANNELS, trust=trust()))


def heavy(plan: Plan, **frame: object) -> Plan:
    return replace(plan, rig=replace(plan.rig, trust=trust(frame=Frame(120.0, **frame))))


class Controller:
    """A controller that notes what it is told, in what it shows itself."""

    range = ActuatorRange(-20e3, 250e3, -60e-3, 60e-3, 0.1, 15.0)

    def __init__(self) -> None:
        self.told: list[tuple[object, ...]] = []
        self.limits: dict[str, tuple[float, float]] = {}

    def __getattr__(self, name: str):
        async def act(*arguments: object) -> None:
            self.told.append((name, *arguments))

        return act

    async def write_limits(self, limits) -> None:
        self.limits = dict(limits)

    async def read_limits(self):
        return dict(self.limits)

    async def status(self) -> ActuatorStatus:
        return ActuatorStatus("stroke", False, 0, "", "", "high", 30e-3)


@dataclass
class Source:
    """An acquisition and its post: blocks of numbers that are given."""

    values: np.ndarray
    rate: float = 1000.0
    channels: tuple[Channel, ...] = CHANNELS
    at: int = 0
    kept: list[int] = field(default_factory=list)
    glance: Glance | None = None

    async def read(self, frames: int) -> SampleBlock:
        part = self.values[:, self.at : self.at + frames]
        return SampleBlock(self.at, self.rate, NAMES, part)

    async def keep(self, frames: int) -> None:
        self.kept.append(frames)
        self.at += frames

    async def slow(self) -> dict[str, float]:
        return {"temperature_air": 293.15}

    def stand(self, glance: Glance | None) -> None:
        self.glance = glance


def rig_of(source: Source, controller: Controller | None = None) -> Rig:
    inputs = SimulatedInputs(None)  # nobody asks them
    return Rig(controller or Controller(), source, None, inputs, emulated=True, post=source)


def motion(frames: int, seed: int = 2) -> np.ndarray:
    """Return shown samples of a rig that cycles at 5 Hz."""
    noise = np.random.default_rng(seed)
    angle = 2 * np.pi * 5.0 * np.arange(frames) / 1000
    load = 40e3 + 30e3 * np.sin(angle) + noise.normal(0, 5, frames)
    stroke = 20e-3 + 2e-3 * np.sin(angle) + noise.normal(0, 1e-6, frames)
    return np.stack([load, load * 1.004, stroke / 2, stroke]).astype(np.float32)


async def in_blocks(plan: Plan, values: np.ndarray, lengths: list[tuple[int, int]]) -> np.ndarray:
    """Return what is read in blocks of which so many frames are asked for, and so many kept."""
    rig = conditioned(rig_of(Source(values)), plan)
    parts = []
    for asked, kept in lengths:
        block = await rig.acquisition.read(asked)
        parts.append(block.values[:, :kept].copy())
        await rig.acquisition.keep(min(kept, block.frames))
    return np.concatenate(parts, axis=1)


async def test_samples_are_read_as_their_calibrations_say(plan) -> None:
    values = np.array([[50e3, 100e3], [50e3, 100e3], [5e-3, 10e-3], [30e-3, 0.0]], np.float32)
    read = await in_blocks(plan, values, [(2, 2)])
    np.testing.assert_allclose(read[0], [49.6e3, 99e3], rtol=1e-6)
    np.testing.assert_allclose(read[1], [50e3, 100e3])  # it has none
    np.testing.assert_allclose(read[2], [5.05e-3, 10.1e-3], rtol=1e-6)
    np.testing.assert_allclose(read[3], [30.3e-3, 0.0], rtol=1e-6, atol=1e-9)


async def test_slow_channels_are_read_as_their_calibrations_say(plan) -> None:
    rig = conditioned(rig_of(Source(motion(10))), plan)
    assert (await rig.acquisition.slow())["temperature_air"] == pytest.approx(293.65)


async def test_the_samples_as_they_came_stay_as_they_are(plan) -> None:
    values = motion(1000)
    before = values.copy()
    await in_blocks(heavy(plan), values, [(500, 500), (500, 500)])
    np.testing.assert_array_equal(values, before)


async def test_a_block_that_is_kept_in_part_goes_on_as_if_it_had_ended_there(plan) -> None:
    values = motion(3000)
    one = await in_blocks(heavy(plan), values, [(3000, 3000)])
    many = await in_blocks(
        heavy(plan), values, [(700, 700), (800, 20), (500, 499), (281, 281), (1500, 1500)]
    )
    np.testing.assert_array_equal(one, many)


async def test_a_look_at_arriving_samples_sees_what_is_read_later(plan) -> None:
    values = motion(2000)
    read = await in_blocks(heavy(plan), values, [(2000, 2000)])
    source, seen = Source(values), []
    rig = conditioned(rig_of(source), heavy(plan))
    assert rig.post is not None

    def glance(block: SampleBlock) -> bool:
        seen.append(block.values.copy())
        return block.first == 1000

    rig.post.stand(glance)
    assert source.glance is not None
    answers = []
    for first in range(0, 2000, 2):
        block = SampleBlock(first, 1000.0, NAMES, values[:, first : first + 2])
        answers.append(source.glance(block))
    np.testing.assert_array_equal(np.concatenate(seen, axis=1), read)
    assert [2 * i for i, answer in enumerate(answers) if answer] == [1000]
    rig.post.stand(None)
    assert source.glance is None


async def test_a_device_that_begins_anew_is_looked_at_anew(plan) -> None:
    source, seen = Source(motion(400)), []
    rig = conditioned(rig_of(source), heavy(plan))
    assert rig.post is not None
    rig.post.stand(lambda block: bool(seen.append(block.of("load").copy())))
    assert source.glance is not None
    source.glance(SampleBlock(0, 1000.0, NAMES, source.values))
    moved = source.values.copy()
    moved[3] += 1e-3
    source.glance(SampleBlock(7, 1000.0, NAMES, moved))
    np.testing.assert_array_equal(seen[0], seen[1])


async def test_a_look_at_a_load_without_its_motion_leaves_it_as_it_is(plan) -> None:
    source, seen = Source(motion(100)), []
    rig = conditioned(rig_of(source), heavy(plan))
    assert rig.post is not None
    rig.post.stand(lambda block: bool(seen.append(block.of("load_2").copy())))
    assert source.glance is not None
    source.glance(SampleBlock(0, 1000.0, ("load", "load_2"), source.values[:2]))
    np.testing.assert_array_equal(seen[0], source.values[1])


async def test_a_moved_sensor_is_looked_at_where_it_is_read(plan) -> None:
    plain = replace(plan, rig=replace(plan.rig, trust=Trust()))
    source, seen = Source(motion(100)), []
    rig = conditioned(rig_of(source), plain)
    assert rig.post is not None
    assert rig.shift is not None
    rig.post.stand(lambda block: bool(seen.append(block.of("midspan").copy())))
    assert source.glance is not None
    block = SampleBlock(0, 1000.0, NAMES, source.values)
    source.glance(block)
    rig.shift("midspan", 1e-3)
    source.glance(block)
    np.testing.assert_allclose(seen[1] - seen[0], 1e-3, atol=1e-8)


async def test_the_controller_is_told_what_shows_the_true_figure(plan) -> None:
    controller = Controller()
    rig = conditioned(rig_of(Source(motion(10)), controller), plan)
    await rig.actuator.move_load(49.6e3, 1e3)
    await rig.actuator.move_stroke(30.3e-3, 1e-3)
    await rig.actuator.move_deflection(5.05e-3, 1e-3)
    await rig.actuator.cycle(74.3e3, 24.7e3, 5.0, 2.0)
    await rig.actuator.adjust(74.3e3, 24.7e3)
    await rig.actuator.hold()
    told = {str(name): tuple(rest) for name, *rest in controller.told}
    assert told["move_load"] == pytest.approx((50e3, 1e3))
    assert told["move_stroke"] == pytest.approx((30e-3, 1e-3))
    assert told["move_deflection"] == pytest.approx((5e-3, 1e-3))
    assert told["cycle"] == pytest.approx((75e3, 25e3, 5.0, 2.0))
    assert told["adjust"] == pytest.approx((75e3, 25e3))
    assert told["hold"] == ()
    assert (await rig.actuator.status()).stroke == pytest.approx(30.3e-3)


async def test_limits_are_written_as_shown_and_read_back_as_true(plan) -> None:
    controller = Controller()
    rig = conditioned(rig_of(Source(motion(10)), controller), plan)
    await rig.actuator.write_limits({"load": (-2e3, 99e3), "stroke": (-20.2e-3, 40.4e-3)})
    assert controller.limits["load"][1] == pytest.approx(100e3)
    assert controller.limits["stroke"] == pytest.approx((-20e-3, 40e-3))
    back = await rig.actuator.read_limits()
    assert back["load"] == pytest.approx((-2e3, 99e3))
    assert back["stroke"] == pytest.approx((-20.2e-3, 40.4e-3))


async def test_the_end_of_a_range_is_no_set_point_beyond_it(plan) -> None:
    controller = Controller()
    rig = conditioned(rig_of(Source(motion(10)), controller), plan)
    able = rig.actuator.range
    assert able.load_high == pytest.approx(251e3)
    for to in (able.stroke_low, able.stroke_high):
        await rig.actuator.move_stroke(to, 1e-3)
    for to in (able.load_low, able.load_high):
        await rig.actuator.move_load(to, 1e3)
    assert [told[1] for told in controller.told] == [-60e-3, 60e-3, -20e3, 250e3]


async def test_after_a_shift_the_controller_is_told_what_shows_the_same_place(plan) -> None:
    controller = Controller()
    rig = conditioned(rig_of(Source(motion(10)), controller), plan)
    assert rig.shift is not None
    rig.shift("stroke", 1e-3)
    await rig.actuator.move_stroke(31.3e-3, 1e-3)
    assert controller.told[-1] == ("move_stroke", pytest.approx(30e-3), 1e-3)
    assert (await rig.actuator.status()).stroke == pytest.approx(31.3e-3)


async def test_where_nothing_is_said_the_controller_gets_the_very_figures(plan) -> None:
    plain = replace(plan, rig=replace(plan.rig, trust=Trust()))
    controller = Controller()
    rig = conditioned(rig_of(Source(motion(10)), controller), plain)
    mean, amplitude = 0.1 + 0.2, 1 / 3
    await rig.actuator.cycle(mean, amplitude, 5.0, 2.0)
    assert controller.told[-1] == ("cycle", mean, amplitude, 5.0, 2.0)
    assert (await rig.actuator.status()).stroke == 30e-3
    block = await rig.acquisition.read(10)
    assert block.values.base is rig.acquisition.values  # type: ignore[attr-defined]


def taken(plan: Plan, values: np.ndarray) -> np.ndarray:
    """Return what the inertia takes off the load of shown samples [N]."""
    facts = replace(facts_of(plan), points={})
    out = values.copy()
    condition(facts, {}, Seen(), NAMES, out)
    return values[0].astype(np.float64) - out[0]


def test_both_cells_lose_what_accelerates_the_mass(plan) -> None:
    values, out = motion(2000), motion(2000)
    condition(replace(facts_of(heavy(plan)), points={}), {}, Seen(), NAMES, out)
    off = values.astype(np.float64) - out
    inertia = 120.0 * 2e-3 * (2 * np.pi * 5.0) ** 2
    assert off[0][1000:].max() == pytest.approx(inertia, rel=0.05)
    np.testing.assert_allclose(off[0][1000:], off[1][1000:], atol=0.02)
    assert not off[2:].any()


def test_a_measured_acceleration_goes_before_one_that_is_drawn_and_gaps_are_filled(plan) -> None:
    names = (*NAMES, "acceleration")
    channels = (*CHANNELS, Channel("acceleration", "m/s2", 0.01, -100.0, 100.0))
    known = heavy(plan)
    known = replace(known, rig=replace(known.rig, channels=channels))
    values = np.vstack([motion(2000), np.full(2000, 3.0)]).astype(np.float32)
    values[4, 1500:1520] = np.nan
    out = values.copy()
    condition(replace(facts_of(known), points={}), {"acceleration": 0.5}, Seen(), names, out)
    off = values[0].astype(np.float64) - out[0]
    np.testing.assert_allclose(off[1000:1500], 120 * 3.5, atol=0.01)
    np.testing.assert_allclose(off[1500:1520], taken(heavy(plan), values[:4])[1500:1520], atol=0.01)
    assert np.isfinite(out[0]).all()


@pytest.mark.parametrize(
    ("frame", "channels", "loading"),
    [
        (Frame(0.0), CHANNELS, True),
        (Frame(120.0), CHANNELS[:3], True),
        (Frame(120.0), CHANNELS, False),
    ],
    ids=["no mass", "no motion measured", "no cycles"],
)
def test_where_inertia_is_nothing_or_cannot_be_known_none_is_taken_off(
    plan, frame, channels, loading
) -> None:
    rig = replace(plan.rig, channels=channels, trust=Trust(frame=frame))
    asked = replace(plan, rig=rig, loading=plan.loading if loading else None)
    assert facts_of(asked).inertia is None
    assert not facts_of(asked).any
    cannot = "neither stroke nor acceleration is sampled"
    assert [cannot in text for text in corrections(asked)] == ([True] if channels[3:] == () else [])


def test_a_sample_at_the_end_of_its_range_stays_at_the_end() -> None:
    ends = {"load": (-25e3, 260e3), "stroke": (-60e-3, 60e-3)}
    facts = Facts({"load": ((0.0, 0.0), (100e3, 99e3))}, ends, None)
    values = np.array([[260e3, 300e3, -25e3, 1e3], [60e-3, 0, -60e-3, 0]], np.float32)
    condition(facts, {"stroke": -2e-3}, Seen(), ("load", "stroke"), values)
    np.testing.assert_allclose(values[0], [260e3, 297e3, -25e3, 990.0], rtol=1e-6)
    np.testing.assert_allclose(values[1], [60e-3, -2e-3, -62e-3, -2e-3], rtol=1e-6)


async def test_what_the_rig_can_do_besides_it_does_itself(plan) -> None:
    from rig.assembly import simulation_setup
    from simulators.rig import simulated_rig

    bare = simulated_rig(simulation_setup(plan), 1, VirtualClock())
    rig = conditioned(bare, plan)
    assert rig.acquisition.rate == bare.acquisition.rate
    assert rig.acquisition.snapshot()["frame"] == 0
    with pytest.raises(AttributeError):
        rig.acquisition.no_such_thing  # noqa: B018
    await rig.acquisition.close()
