"""A whole test on the simulated rig in virtual time."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import FrameType
from typing import Any

from rig.assembly.devices import SIMULATED, close
from rig.assembly.result import Result, header_of, result_of
from rig.assembly.simulation import simulation_setup
from rig.clock import VIRTUAL_EPOCH, SystemClock, VirtualClock, VirtualLoop, real_seconds
from rig.control.conductor import Conductor
from rig.control.desk import Desk, Request
from rig.control.lock import lock_folder
from rig.control.taken_up import Verdict
from rig.errors import InputError, RigError, StorageError
from rig.protocol.plan import Plan
from rig.record.recorder import Recorder
from simulators.faults import Fault
from simulators.rig import simulated_rig
from simulators.setup import SimulationSetup


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
    setup = replace(simulation_setup(plan), faults=faults)
    with contextlib.ExitStack() as held:
        # Before anything is written: from then on whoever asks gets the normal stop and a record.
        stop = held.enter_context(StopOnce())
        runner = held.enter_context(asyncio.Runner(loop_factory=VirtualLoop))
        test = _rehearse(plan, setup, folder, seed, held, desk, stop, one_tick=one_tick)
        verdict, test_s, path = runner.run(test)
    if verdict.cause == "record":
        raise StorageError(f"{verdict.why}; what was recorded until then is in {path}")
    real_s = real_seconds() - began
    return result_of(
        plan, verdict.outcome, verdict.why, verdict.cycles, path, real_s=real_s, test_s=test_s
    )


def _recorder(plan: Plan, folder: Path, seed: int, held: contextlib.ExitStack) -> Recorder:
    """Make the record and hold its folder: who watches can tell a rehearsal from one that died."""
    header = header_of(plan, folder, seed, VIRTUAL_EPOCH, simulated=True)
    recorder = Recorder.create(folder, header)
    try:
        held.callback(lock_folder(folder, SystemClock().utc()).release)
    except RigError:
        recorder.abandon()
        raise
    return recorder


async def _rehearse(
    plan: Plan,
    setup: SimulationSetup,
    folder: Path,
    seed: int,
    held: contextlib.ExitStack,
    desk: Desk,
    stop: StopOnce,
    *,
    one_tick: bool,
) -> tuple[Verdict, float, Path]:
    stop.stops_this_task()
    recorder = _recorder(plan, folder, seed, held)
    rig = simulated_rig(setup, seed, VirtualClock())
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
    return verdict, test_s, path


class StopOnce:
    """Lets Ctrl-C, a hang-up and SIGTERM ask for the normal stop, once; a context manager.

    A second one changes nothing, from the first moment to the printing of the result: so where
    one came, the signals stay deaf when it is left. Only the main thread can take them.
    """

    def __init__(self) -> None:
        self._asked = False
        self._cancel: Callable[[], object] | None = None
        self._before: dict[int, Any] = {}

    def __enter__(self) -> StopOnce:
        if threading.current_thread() is threading.main_thread():
            numbers = [getattr(signal, n, None) for n in ("SIGINT", "SIGTERM", "SIGHUP")]
            for number in numbers:
                # What the program was started to ignore it goes on to ignore.
                if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self._ask)
        return self

    def __exit__(self, *_why: object) -> None:
        self._cancel = None
        if not self._asked:
            for number, handler in self._before.items():
                signal.signal(number, handler)

    def stops_this_task(self) -> None:
        """Let the running task be cancelled; at once where that was asked before."""
        task, loop = asyncio.current_task(), asyncio.get_running_loop()
        if task is not None:
            self._cancel = partial(loop.call_soon_threadsafe, task.cancel)
            if self._asked:
                self._cancel()

    def _ask(self, _number: int, _frame: FrameType | None) -> None:
        if not self._asked:
            self._asked = True
            if self._cancel is not None:
                self._cancel()
