"""The load of a specimen behind a moving mass and calibrations: through a whole rehearsal."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from rig.assembly import simulation_setup
from rig.assembly.rehearsal import rehearse
from rig.clock import VirtualClock, VirtualLoop
from rig.control.conditioned import conditioned
from rig.control.conductor import Conductor
from rig.control.taken_up import Verdict
from rig.protocol.plan import Plan, Static
from rig.protocol.trust import Trust
from rig.record import Recorder, read_run
from rig.samples import SampleBlock
from simulators.motion import Cycling
from simulators.rig import simulated_rig
from tests.control.conftest import ROOT, changed
from tests.control.night import Accidents, Again, walk
from tests.record.runs import header

SHORT = {
    r"^run_out = .*$": 'run_out = "400 cycles"',
    r'^from = "2000 cycles"$': 'from = "100 cycles"',
    r'^to = "3000 cycles"$': 'to = "200 cycles"',
    r"^build_up = .*$": 'build_up = "40 cycles"',
    r"^at = .*$": 'at = ["250 cycles"]',
    r"^repeats = 3$": "repeats = 1",
    r'^hold = "2 min"$': 'hold = "5 s"',
    r'^speed = "0.2 mm/min"$': 'speed = "2 mm/min"',
    r'^speed_after_crack = "0.5 mm/min"$': 'speed_after_crack = "5 mm/min"',
    r'^go_on_after = "5 min"': 'go_on_after = "5 s"',
    r"^static_check = .*$": 'static_check = { to = "upper", rate = "20 kN/s", hold = "1 s" }',
}
STROKE = """
[[channel]]
name = "stroke"
resolution = "1 um"
noise = "1 um"
range = ["-60 mm", "60 mm"]

[[channel]]
name = "midspan"
"""


def moving(mass: float, cell: str = "moving", points: str = "", noise: str = "5 N") -> dict:
    """Return the changes that give a rig file a stroke and a mass that moves with it."""
    frame = f'[frame]\nmoving_mass = "{mass:g} kg"\ncell = "{cell}"\n\n[pump]'
    return {
        r'^\[\[channel\]\]\nname = "midspan"\n': STROKE,
        r"^\[pump\]$": frame,
        r'^noise = "40 N"\nrange = (.*)$': rf'noise = "{noise}"\nrange = \1' + points,
    }


def changed_rig(changes: dict[str, str]) -> str:
    """Return the shipped simulated rig's file with text changes in it."""
    return changed((ROOT / "rigs" / "simulated.toml").read_text(encoding="utf-8"), changes)


@dataclass(frozen=True)
class Told:
    """What was read beside what was true, sample by sample, of whole cycles that do not grow."""

    read: np.ndarray
    shown: np.ndarray
    true: np.ndarray
    verdict: Verdict
    folder: Path

    def error(self, of: float) -> float:
        """Return the largest error of a sample that was read, as a share of a range."""
        return float(np.abs(self.read - self.true).max() / of)

    def error_shown(self, of: float) -> float:
        """Return the largest error of a sample as the cell shows it, as a share of a range."""
        return float(np.abs(self.shown - self.true).max() / of)


class _Below:
    """The bare acquisition, which keeps what it gave last."""

    def __init__(self, samples) -> None:
        self._samples = samples

    def __getattr__(self, name: str):
        return getattr(self._samples, name)

    async def read(self, frames: int) -> SampleBlock:
        self.block: SampleBlock = await self._samples.read(frames)
        return self.block


class _Beside:
    """An acquisition that notes what is shown and what is true beside what is read of the load."""

    def __init__(self, samples, machine, shown: _Below) -> None:
        self._samples, self._machine, self._shown = samples, machine, shown
        self.noted: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        self._block: SampleBlock | None = None
        self._true = np.empty(0)

    def __getattr__(self, name: str):
        return getattr(self._samples, name)

    async def read(self, frames: int) -> SampleBlock:
        self._block = block = await self._samples.read(frames)
        pieces = [p for p in self._machine._pieces if p[2] > p[1]]
        parts = [s.signals(np.arange(b, e)).load for s, b, e in pieces]
        steady = [
            np.full(e - b, isinstance(m := s.state.motion, Cycling) and self._long(m, b))
            for s, b, e in pieces
        ]
        self._true = np.where(np.concatenate(steady), np.concatenate(parts), np.nan)
        return block

    def _long(self, motion: Cycling, frame: int) -> bool:
        """Whether it goes on as it has for two cycles at least."""
        before = frame - round(2 * motion.rate / motion.frequency)
        return motion.steady(before) and motion.steady(frame)

    async def keep(self, frames: int) -> None:
        assert self._block is not None
        true = self._true[:frames]
        there = np.isfinite(true)
        read, shown = (block.of("load")[:frames] for block in (self._block, self._shown.block))
        self.noted.append((read[there].copy(), shown[there].copy(), true[there]))
        await self._samples.keep(frames)


def told(plan: Plan, folder: Path, **setup) -> Told:
    """Carry a plan out and return what was told of the load."""
    folder.mkdir(parents=True)
    with asyncio.Runner(loop_factory=partial(VirtualLoop, 0.0)) as runner:
        return runner.run(_told(plan, folder, setup))


async def _told(plan: Plan, folder: Path, changed: dict) -> Told:
    bare = simulated_rig(replace(simulation_setup(plan), **changed), 1, VirtualClock())
    machine = bare.acquisition._machine
    below = _Below(bare.acquisition)
    rig = conditioned(replace(bare, acquisition=below), plan)
    beside = _Beside(rig.acquisition, machine, below)
    head = replace(header(), rate=plan.rig.rate, channels=plan.rig.channels, virtual=True)
    recorder = Recorder.create(folder / "run", head)
    try:
        conductor = Conductor(
            plan, replace(rig, acquisition=beside), recorder, clock=VirtualClock()
        )
        verdict = await conductor.run()
        recorder.finish(verdict.outcome, verdict.why, verdict.cycles, conductor.book.time)
    finally:
        await bare.acquisition.close()
    read, shown, true = (np.concatenate(parts) for parts in zip(*beside.noted, strict=True))
    return Told(read, shown, true, verdict, folder / "run")


def at(frequency: str) -> dict[str, str]:
    return SHORT | {r'^frequency = "5 Hz"$': f'frequency = "{frequency}"'}


def uncorrected(plan: Plan) -> Plan:
    """Return a plan whose rig file says nothing of mass and calibrations."""
    return replace(plan, rig=replace(plan.rig, trust=Trust()))


@pytest.mark.nights
@pytest.mark.parametrize(
    ("frequency", "least"),
    [pytest.param("1 Hz", 0.0004, marks=pytest.mark.endurance), ("5 Hz", 0.003)],
)
def test_the_true_load_is_restored_within_a_thousandth_of_the_range(
    plan_of, tmp_path, frequency, least
) -> None:
    """Every sample of every settled cycle; the cell's own noise of 5 N is in it."""
    plan = plan_of("dry-short", at(frequency), moving(400.0))
    assert plan.loading is not None
    found = told(plan, tmp_path / "night")
    assert found.verdict.outcome == "run-out"
    assert len(found.read) > 200 * plan.rig.rate / plan.loading.frequency
    assert found.error(plan.loading.range) < 0.001
    assert found.error_shown(plan.loading.range) > least


@pytest.mark.endurance
def test_ten_cycles_a_second_are_restored_where_the_loop_follows_them(plan_of, tmp_path) -> None:
    quick = {r'^servo_bandwidth = "20 Hz"$': 'servo_bandwidth = "60 Hz"'}
    plan = plan_of("dry-short", at("10 Hz"), moving(330.0) | quick)
    assert plan.loading is not None
    found = told(plan, tmp_path / "night")
    assert found.verdict.outcome == "run-out"
    assert found.error(plan.loading.range) < 0.001
    assert found.error_shown(plan.loading.range) > 0.009


@pytest.mark.nights
def test_a_cell_under_the_specimen_is_put_right_the_other_way(plan_of, tmp_path) -> None:
    plan = plan_of("dry-short", at("5 Hz"), moving(120.0, cell="fixed"))
    assert plan.loading is not None
    assert told(plan, tmp_path / "n").error(plan.loading.range) < 0.001


@pytest.mark.nights
def test_the_upper_load_that_is_held_is_that_of_the_specimen(plan_of, tmp_path) -> None:
    """Correction and record see the corrected load: the tops come to the target, not the cell's."""
    plan = plan_of("dry-short", at("5 Hz"), moving(1500.0, noise="40 N"))
    assert plan.loading is not None
    corrected = told(plan, tmp_path / "corrected")
    shown = told(uncorrected(plan), tmp_path / "shown", moving_mass=1500.0)
    last = round(10 * plan.rig.rate / plan.loading.frequency)
    assert corrected.true[-last:].max() == pytest.approx(plan.loading.upper, rel=0.003)
    assert corrected.true[-last:].min() == pytest.approx(
        plan.loading.lower, abs=0.003 * plan.loading.range
    )
    assert shown.true[-last:].max() > 1.008 * plan.loading.upper
    with read_run(corrected.folder / "run.h5") as run:
        tops = run.column("load_max")[-50:]
    assert float(np.median(tops)) == pytest.approx(plan.loading.upper, rel=0.003)


@pytest.mark.endurance
def test_a_mass_that_the_rig_file_has_wrong_leaves_its_share_of_the_error(
    plan_of, tmp_path
) -> None:
    wrong = {r"^\[simulation\]$": '[simulation]\nmoving_mass = "800 kg"'}
    plan = plan_of("dry-short", at("5 Hz"), moving(400.0) | wrong)
    assert plan.loading is not None
    found = told(plan, tmp_path / "night")
    of_it = found.error(plan.loading.range) / found.error_shown(plan.loading.range)
    assert of_it == pytest.approx(0.5, abs=0.1)


@pytest.mark.endurance
def test_a_heavy_mass_does_not_overload_the_first_cycles(plan_of, tmp_path) -> None:
    """Not above 102 % in build-up nor 101 % after it: common practice, no source."""
    plan = plan_of("dry-short", at("5 Hz"), moving(4500.0))
    assert plan.loading is not None
    found = told(plan, tmp_path / "allowed for")
    shown = told(uncorrected(plan), tmp_path / "shown", moving_mass=4500.0)
    assert found.verdict.outcome == "run-out"
    assert found.true.max() < 1.01 * plan.loading.upper
    assert shown.true.max() > 1.025 * plan.loading.upper


POINTS = """

[channel.calibration]
date = "2026-03-14"
until = "2027-03-14"
certificate = "C-0000, invented"
uncertainty = "0.2 kN"
used = ["0 kN", "250 kN"]
points = [["0 kN", "0.3 kN"], ["100 kN", "99.2 kN"], ["250 kN", "248 kN"]]
"""


@pytest.mark.nights
def test_a_cell_that_shows_something_else_is_read_and_commanded_in_true_loads(
    plan_of, tmp_path
) -> None:
    plan = plan_of("dry-short", at("5 Hz"), moving(0.0, points=POINTS))
    assert plan.loading is not None
    found = told(plan, tmp_path / "night")
    assert found.error(plan.loading.range) < 0.001
    assert found.error_shown(plan.loading.range) > 0.005
    assert found.true.max() == pytest.approx(plan.loading.upper, rel=0.003)


@pytest.mark.nights
def test_the_record_says_what_was_corrected(plan_of, tmp_path) -> None:
    shorter = SHORT | {
        r"^run_out = .*$": 'run_out = "220 cycles"',
        r"^at = .*$": 'at = ["1000 cycles"]',
    }
    plan = plan_of("dry-short", shorter, moving(120.0, points=POINTS))
    result = rehearse(plan, tmp_path / "night", 7)
    with read_run(result.run) as run:
        told_of = [event.text for event in run.events() if event.kind == "corrected"]
    assert told_of == [
        "readings corrected by certificate: load (C-0000, invented)",
        "load corrected for the inertia of 120 kg, by the stroke channel",
    ]


@pytest.mark.endurance
def test_the_length_of_blocks_changes_nothing_behind_a_moving_mass(plan_of, tmp_path) -> None:
    shorter = SHORT | {
        r"^run_out = .*$": 'run_out = "220 cycles"',
        r"^at = .*$": 'at = ["120 cycles"]',
    }
    plan = plan_of("dry-short", shorter, moving(120.0, points=POINTS, noise="40 N"))
    rows = []
    for one_tick in (False, True):
        result = rehearse(plan, tmp_path / str(one_tick), 7, one_tick=one_tick)
        with read_run(result.run) as run:
            rows.append({name: run.column(name) for name in ("load_max", "load_min", "energy")})
    for name, column in rows[0].items():
        np.testing.assert_array_equal(column, rows[1][name])


@pytest.mark.endurance
def test_a_test_goes_on_where_it_was_cut_off_behind_a_moving_mass(plan_of, tmp_path) -> None:
    plan = plan_of("dry-short", at("5 Hz"), moving(120.0, noise="40 N"))
    night = walk(plan, tmp_path / "n", accidents=Accidents(cut=150_000), commits=500)
    assert night.verdict is None
    again = walk(plan, tmp_path / "again", again=Again(night), commits=500)
    assert again.verdict is not None
    assert (again.verdict.outcome, again.verdict.cycles) == ("run-out", 400)


def test_a_moved_sensor_reads_on_where_it_was(plan_of) -> None:
    """From the next block on, in every block; slow channels and others stay as they are."""

    async def look() -> None:
        plan = plan_of("dry-short")
        rig = conditioned(simulated_rig(simulation_setup(plan), 1, VirtualClock()), plan)
        assert rig.shift is not None
        before = await rig.acquisition.read(20)
        untouched = before.values.copy()
        await rig.acquisition.keep(20)
        rig.shift("midspan", 2e-3)
        rig.shift("midspan", 1e-3)
        after = await rig.acquisition.read(20)
        np.testing.assert_array_equal(before.values, untouched)
        assert after.of("midspan").mean() == pytest.approx(
            before.of("midspan").mean() + 3e-3, abs=1e-6
        )
        assert after.of("load").mean() == pytest.approx(before.of("load").mean(), abs=60.0)
        with pytest.raises(ValueError, match="'tank' is not sampled; sampled are load, midspan"):
            rig.shift("tank", 1.0)
        await rig.acquisition.keep(20)
        await rig.acquisition.close()

    with asyncio.Runner(loop_factory=partial(VirtualLoop, 0.0)) as runner:
        runner.run(look())


def test_a_rig_file_that_says_nothing_hands_the_same_blocks_on(plan_of) -> None:
    async def look() -> None:
        plan = plan_of("dry-short")
        bare = simulated_rig(simulation_setup(plan), 1, VirtualClock())
        rig = conditioned(bare, plan)
        block = await rig.acquisition.read(20)
        assert any(
            block.values.base is room for room in bare.acquisition._machine._sampler._buffers
        )
        await rig.acquisition.keep(20)
        await rig.acquisition.close()

    with asyncio.Runner(loop_factory=partial(VirtualLoop, 0.0)) as runner:
        runner.run(look())


@pytest.mark.endurance
def test_a_mass_is_allowed_for_once_and_not_again_after_an_inspection(plan_of, tmp_path) -> None:
    """Without slow cycles correction finds the mass; the check then shows the way of the rod."""
    plan = plan_of("dry-short", at("5 Hz"), moving(4500.0))
    assert plan.loading is not None
    plan = replace(plan, stages=tuple(s for s in plan.stages if not isinstance(s, Static)))
    found = told(plan, tmp_path / "night")
    assert found.verdict.outcome == "run-out", found.verdict.why
    with read_run(found.folder / "run.h5") as run:
        spans = (run.column("load_max") - run.column("load_min")) / plan.loading.range
    assert spans[:250].max() > 1.01  # nothing had told of the mass
    assert spans[252:400].min() > 0.99
    assert spans[252:400].max() < 1.01
