"""A whole test on the simulated rig in virtual time."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
from dataclasses import replace
from pathlib import Path

from rig.assembly.devices import SIMULATED, close
from rig.assembly.result import Result, header_of, result_of
from rig.assembly.simulation import simulation_setup
from rig.clock import VIRTUAL_EPOCH, SystemClock, VirtualClock, VirtualLoop, real_seconds
from rig.control.conductor import Conductor
from rig.control.desk import Desk, Request
from rig.control.lock import lock_folder
from rig.errors import InputError, RigError, StorageError
from rig.ports import Rig
from rig.protocol.plan import Plan
from rig.record.recorder import Recorder
from simulators.faults import Fault
from simulators.rig import simulated_rig


def rehearse(
    plan: Plan,
    folder: Path,
    seed: int,
    *,
    one_tick: bool = False,
    faults: tuple[Fault, ...] = (),
    script: tuple[tuple[float, Request], ...] = (),
) -> Result:
    """Carry a plan out on the simulated rig in virtual time and record it in a new folder.

    `one_tick` keeps every block to 20 ms, as a real rig would deliver them: slower, the same
    result. `faults` are accidents that the simulated rig will have, `script` what people ask
    for at which test time [s]. Raises InputError for a rig that is not simulated or a folder
    that exists, StorageError for the disk.
    """
    if plan.rig.driver != SIMULATED:
        raise InputError(
            f"rig {plan.rig.name!r} is real hardware; a rehearsal needs a simulated rig"
        )
    began = real_seconds()
    desk = Desk(tuple((round(time * plan.rig.rate), request) for time, request in script))
    with asyncio.Runner(loop_factory=VirtualLoop) as runner, contextlib.ExitStack() as held:
        recorder = Recorder.create(
            folder, header_of(plan, folder, seed, VIRTUAL_EPOCH, simulated=True)
        )
        try:
            # Whoever watches can tell a rehearsal under way from one that died.
            held.callback(lock_folder(folder, SystemClock().utc()).release)
        except RigError:
            recorder.abandon()
            raise
        rig = simulated_rig(replace(simulation_setup(plan), faults=faults), seed, VirtualClock())
        test = _rehearse(plan, rig, recorder, desk, began, one_tick=one_tick)
        return runner.run(test)


async def _rehearse(
    plan: Plan,
    rig: Rig,
    recorder: Recorder,
    desk: Desk,
    began: float,
    *,
    one_tick: bool,
) -> Result:
    _stop_once_when_asked()
    try:
        snapshot = getattr(rig.acquisition, "snapshot", None)
        conductor = Conductor(
            plan,
            rig,
            recorder,
            one_tick=one_tick,
            snapshot=snapshot,
            desk=desk,
            clock=VirtualClock(),
        )
        verdict = await conductor.run()
        test_s = conductor.book.time
        path = recorder.finish(verdict.outcome, verdict.why, verdict.cycles, test_s)
    except BaseException:
        recorder.abandon()
        raise
    finally:
        await close(rig)
    if verdict.cause == "record":
        raise StorageError(f"{verdict.why}; what was recorded until then is in {path}")
    real_s = real_seconds() - began
    return result_of(
        plan, verdict.outcome, verdict.why, verdict.cycles, path, real_s=real_s, test_s=test_s
    )


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
