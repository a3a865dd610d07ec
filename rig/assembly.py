"""The one place that puts clock, devices, recorder and conductor together."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal, cast

from rig import __version__
from rig.clock import VIRTUAL_EPOCH, VirtualClock, VirtualLoop, real_seconds
from rig.control.book import Progress
from rig.control.conductor import Conductor, Verdict
from rig.errors import InputError
from rig.mechanics.estimate import StaticEstimate, static_estimate
from rig.ports import ActuatorRange, Rig
from rig.protocol.beam import Specimen, Tendon
from rig.protocol.plan import Plan
from rig.record.entries import RunHeader
from rig.record.recorder import Recorder
from simulators.faults import Fault
from simulators.rig import simulated_rig
from simulators.setup import SimulationSetup, truth_of

REFERENCE_LEVEL: Final = 0.7
"""Load level at which a simulated specimen's life is stated."""

KSI: Final = 6.894757293168361e6
"""Pa in one ksi, exact by definition: the presets of tendons carry their grade in ksi."""

YIELD_SHARE: Final = 0.01
"""Strain at which a tendon without a stated strength is taken as yielding; invented."""


@dataclass(frozen=True, slots=True)
class Result:
    """What a rehearsal or run ended with; times [s]."""

    outcome: str
    why: str
    cycles: int
    run: Path
    real_s: float
    test_s: float
    samples_per_cycle: float | None
    channels: int


def rehearse(
    plan: Plan,
    folder: Path,
    seed: int,
    on_progress: Callable[[Progress], None] | None = None,
    *,
    one_tick: bool = False,
    faults: tuple[Fault, ...] = (),
) -> Result:
    """Carry a plan out on the simulated rig in virtual time and record it in a new folder.

    `one_tick` keeps every block to 20 ms, as a real rig would deliver them: slower, the same
    result. `faults` are accidents that the simulated rig will have. Raises InputError for a rig
    that is not simulated or a folder that exists, StorageError for the disk.
    """
    if plan.rig.driver != "simulated":
        raise InputError(
            f"rig {plan.rig.name!r} is real hardware; a rehearsal needs a simulated rig"
        )
    began = real_seconds()
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        recorder = Recorder.create(folder, _header(plan, folder, seed))
        rig = simulated_rig(replace(simulation_setup(plan), faults=faults), seed, VirtualClock())
        return runner.run(_rehearse(plan, rig, recorder, on_progress, began, one_tick=one_tick))


async def _rehearse(
    plan: Plan,
    rig: Rig,
    recorder: Recorder,
    on_progress: Callable[[Progress], None] | None,
    began: float,
    *,
    one_tick: bool,
) -> Result:
    _stop_once_when_asked()
    try:
        snapshot = getattr(rig.acquisition, "snapshot", None)
        conductor = Conductor(plan, rig, recorder, one_tick=one_tick, snapshot=snapshot)
        conductor.book.on_progress = on_progress
        verdict = await conductor.run()
        path = recorder.finish(verdict.outcome, verdict.why, verdict.cycles, conductor.book.time)
    except BaseException:
        recorder.abandon()
        raise
    finally:
        await close(rig)
    return _result(plan, verdict, path, real_seconds() - began, conductor.book.time)


def _stop_once_when_asked() -> None:
    """Let Ctrl-C, a hang-up and SIGTERM ask for the normal stop, once.

    A second one changes nothing: the stop and the closing of the record run to their end.
    """
    task, loop = asyncio.current_task(), asyncio.get_running_loop()
    asked: list[bool] = []

    def ask() -> None:
        if task is not None and not asked:
            asked.append(True)
            task.cancel()

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        # Not every system and no thread but the main one can handle signals in the loop.
        if number is not None and threading.current_thread() is threading.main_thread():
            with contextlib.suppress(NotImplementedError):
                loop.add_signal_handler(number, ask)


def _result(plan: Plan, verdict: Verdict, path: Path, real_s: float, test_s: float) -> Result:
    per_cycle = plan.rig.rate / plan.loading.frequency if plan.loading else None
    return Result(
        outcome=verdict.outcome,
        why=verdict.why,
        cycles=verdict.cycles,
        run=path.resolve(),
        real_s=real_s,
        test_s=test_s,
        samples_per_cycle=per_cycle,
        channels=len(plan.rig.sampled),
    )


def _header(plan: Plan, folder: Path, seed: int) -> RunHeader:
    return RunHeader(
        run_id=folder.resolve().name,
        software=f"nightrig {__version__}",
        started_utc=VIRTUAL_EPOCH.isoformat(),
        title=plan.title,
        specimen_id=plan.specimen_id,
        exposure=plan.exposure,
        seed=seed,
        rate=plan.rig.rate,
        channels=plan.rig.channels,
        texts=dict(plan.texts),
        simulated=True,
    )


def simulation_setup(plan: Plan) -> SimulationSetup:
    """Return the hidden truth of a plan's simulated rig and of the specimen in it.

    The specimen behaves as mechanics expects of its section; what mechanics does not tell
    (life, scatter, water) comes from the rig file's `[simulation]`.
    """
    truth = truth_of(_static_estimate(plan.specimen))
    told = plan.rig.simulation
    scale = float(told["capacity_scale"])
    truth = replace(
        truth,
        yield_load=truth.yield_load * scale,
        ultimate_load=truth.ultimate_load * scale,
    )
    actuator = plan.rig.actuator
    loading, pump = plan.loading, plan.rig.pump
    return SimulationSetup(
        rate=plan.rig.rate,
        channels=plan.rig.channels,
        actuator=ActuatorRange(
            *actuator.load, *actuator.stroke, actuator.speed, actuator.frequency
        ),
        truth=truth,
        exposure=cast("Literal['dry', 'spray', 'submerged']", plan.exposure),
        load_level=loading.upper / loading.capacity if loading else REFERENCE_LEVEL,
        upper_load=loading.upper if loading else 0.0,
        pump_flow=pump.flow if pump else 0.0,
        tank=pump.tank if pump else 0.0,
        ending=cast("Literal['gradual', 'brittle']", told["ending"]),
        servo_bandwidth=float(told["servo_bandwidth"]),
        gap=float(told["gap"]),
        bedding=float(told["bedding"]),
        life_dry=float(told["life_dry"]),
        life_scale=float(told["life_scale"]),
        wet_factor=float(told["wet_factor"]),
        scatter=float(told["scatter"]),
        pump_run_up=float(told["pump_run_up"]),
        creep=float(told["creep"]),
    )


def _static_estimate(specimen: Specimen) -> StaticEstimate:
    section, concrete = specimen.section, specimen.concrete
    return static_estimate(
        (section.width + section.width_bottom) / 2,
        section.height,
        section.span,
        section.load_spacing,
        concrete.strength,
        concrete.modulus,
        concrete.tensile_strength,
        [(t.area, t.depth, t.modulus, t.stress, _strength(t)) for t in specimen.tendons],
    )


def _strength(tendon: Tendon) -> float:
    """Return a tendon's ultimate stress [Pa]: from its law, or the grade of its preset."""
    if tendon.law.ultimate:
        return tendon.law.ultimate
    grade = tendon.law.preset.rpartition("-")[2]
    return float(grade) * KSI if grade else YIELD_SHARE * tendon.modulus


async def close(rig: Rig) -> None:
    """Let a rig's devices end their threads and ports."""
    closing = getattr(rig.acquisition, "close", None)
    if closing is not None:
        await closing()
