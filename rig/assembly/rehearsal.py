"""A whole test on the simulated rig in virtual time."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, Final

from rig.assembly.devices import SIMULATED, close, restore_simulated
from rig.assembly.looking_back import LookBack
from rig.assembly.result import Result, header_of, result_of
from rig.assembly.simulation import simulation_setup
from rig.assembly.stand_in import KEPT, StandIn, kept
from rig.clock import VIRTUAL_EPOCH, SystemClock, VirtualClock, VirtualLoop, real_seconds
from rig.control.conditioned import conditioned
from rig.control.conditioning import corrections
from rig.control.conductor import Conductor
from rig.control.desk import Desk, Request
from rig.control.lock import lock_folder
from rig.control.taken_up import TakenUp, Verdict
from rig.errors import InputError, RigError, StorageError
from rig.ports import Rig
from rig.protocol.plan import Plan
from rig.record.recorder import Recorder
from rig.record.take_up import take_up
from simulators.faults import Fault
from simulators.rig import simulated_rig
from simulators.truth_file import TruthFile

if TYPE_CHECKING:
    from rig.assembly.events_file import Events

EVENTS: Final = "events"
"""Under which name the texts of a header keep the file of what was scripted to happen."""
ALONE: Final = 120.0  # [s] of test time in which a simulated controller comes to rest by itself


def rehearse(
    plan: Plan,
    folder: Path,
    seed: int,
    *,
    one_tick: bool = False,
    faults: tuple[Fault, ...] = (),
    script: tuple[tuple[float, Request], ...] = (),
    specimen: StandIn | None = None,
    events: Events | None = None,
) -> Result:
    """Carry a plan out on the simulated rig in virtual time and record it in a new folder.

    `one_tick` keeps every block to 20 ms, as a real rig would deliver them: slower, the same
    result. `faults` are accidents that the simulated rig will have, `script` what people ask
    for at which test time [s]. With a `specimen` that recording is in the rig. `events` happen to
    rig and specimen; the truth of them is told in `truth.jsonl` beside the record. Raises
    InputError for a rig that is not simulated or a folder that exists, StorageError for the disk.
    """
    if plan.rig.driver != SIMULATED:
        raise InputError(
            f"rig {plan.rig.name!r} is real hardware; a rehearsal needs a simulated rig"
        )
    if specimen is not None and events is not None:
        raise InputError(
            f"{specimen.path}: to a recorded specimen happens what is recorded; leave --events "
            "out, or rehearse on a simulated rig"
        )
    test = _Rehearsal(plan, folder, seed, faults, script, one_tick, specimen, events)
    if specimen is not None:
        plan = replace(plan, texts={**plan.texts, KEPT: specimen.kept_text()})
    if events is not None:
        plan = replace(plan, texts={**plan.texts, EVENTS: events.text})
    header = header_of(plan, folder, seed, VIRTUAL_EPOCH, simulated=True, virtual=True)
    return test.result(lambda: Recorder.create(folder, header))


def go_on_rehearsing(
    found: LookBack,
    why: str,
    *,
    one_tick: bool = False,
    faults: tuple[Fault, ...] = (),
    script: tuple[tuple[float, Request], ...] = (),
    specimen: StandIn | None = None,
) -> Result:
    """Go on with a rehearsal that was cut off or stopped, from its last restart point.

    `why` says what happened to it. The specimen is as it was then; the simulated controller has
    made its own stop and stood `ALONE` seconds. A recording that stands in for the specimen is
    looked for where it lay, unless `specimen` is it; the events are those that its record keeps.
    Else as `rehearse`.
    """
    header = found.header
    if not header.virtual or header.seed is None:
        raise InputError(f"{found.folder}: this is no rehearsal; it cannot go on as one")
    found.refuse_unreadable()
    specimen = specimen or kept(found.folder, header.texts)
    plan, events = found.plan, None
    if EVENTS in header.texts:
        # Imported late: few rehearsals have one, and its shapes take as long as a plan's.
        from rig.assembly.events_file import kept_events

        events = kept_events(header.texts[EVENTS], plan)
    test = _Rehearsal(plan, found.folder, header.seed, faults, script, one_tick, specimen, events)
    test.resumed, test.taken = True, found.taken_up(ALONE, why)

    def reopened() -> Recorder:
        found.refuse_changed()
        take_up(found.folder, found.kept_rows)
        return Recorder.reopen(found.folder, header)

    return test.result(reopened)


@dataclass(slots=True)
class _Rehearsal:
    """One rehearsal, from its beginning or from where it was `taken` up."""

    plan: Plan
    folder: Path
    seed: int
    faults: tuple[Fault, ...]
    script: tuple[tuple[float, Request], ...]
    one_tick: bool
    specimen: StandIn | None = None
    events: Events | None = None
    resumed: bool = False
    taken: TakenUp | None = None

    def result(self, record: Callable[[], Recorder]) -> Result:
        """Carry it out; `record` makes its recorder. Raises as `rehearse`."""
        plan, began = self.plan, real_seconds()
        begin = self.taken.begin / plan.rig.rate if self.taken else 0.0
        with contextlib.ExitStack() as held:
            # Before anything is written: whoever asks from then on gets the normal stop and a
            # record.
            stop = held.enter_context(StopOnce())
            runner = held.enter_context(asyncio.Runner(loop_factory=partial(VirtualLoop, begin)))
            verdict, test_s, path = runner.run(self._carried_out(record, held, stop))
        if verdict.cause == "record":
            raise StorageError(f"{verdict.last.why}; what was recorded until then is in {path}")
        real_s = real_seconds() - began
        return result_of(plan, verdict, path, real_s=real_s, test_s=test_s)

    def _recorder(self, record: Callable[[], Recorder], held: contextlib.ExitStack) -> Recorder:
        """Make the record and hold its folder: who watches can tell it from one that died."""
        if self.resumed:
            held.callback(lock_folder(self.folder, SystemClock().utc()).release)
            return record()
        recorder = record()
        try:
            held.callback(lock_folder(self.folder, SystemClock().utc()).release)
        except RigError:
            recorder.abandon()
            raise
        return recorder

    def _rig(self, held: contextlib.ExitStack) -> Rig:
        setup = replace(simulation_setup(self.plan), faults=self.faults)
        if self.specimen is not None:
            rows = self.specimen.rows()
            held.callback(rows.close)
            setup = replace(setup, recorded=self.specimen.specimen(self.plan, rows))
        witness = None
        if self.events is not None:
            setup, witness = self.events.disturbed(setup), self._truth(self.events).witness
        rig = simulated_rig(setup, self.seed, VirtualClock(), witness=witness)
        restore_simulated(rig, self.taken)
        return conditioned(rig, self.plan)

    def _truth(self, events: Events) -> TruthFile:
        """Return the file of what is true, where it stood when the test was taken up."""
        truth = TruthFile(self.folder)
        truth.begin(events.happenings, None if self.taken is None else self.taken.point["frame"])
        return truth

    async def _carried_out(
        self, record: Callable[[], Recorder], held: contextlib.ExitStack, stop: StopOnce
    ) -> tuple[Verdict, float, Path]:
        stop.stops_this_task()
        recorder = self._recorder(record, held)
        try:
            rig = self._rig(held)
        except BaseException:
            recorder.abandon()
            raise
        rate = self.plan.rig.rate
        script = tuple((round(at * rate), request) for at, request in self.script)
        desk = Desk(script)
        try:
            conductor = Conductor(
                self.plan,
                rig,
                recorder,
                one_tick=self.one_tick,
                snapshot=getattr(rig.acquisition, "snapshot", None),
                desk=desk,
                clock=VirtualClock(),
                taken=self.taken,
            )
            for text in corrections(self.plan) if self.taken is None else ():
                conductor.book.event("corrected", text)
            if self.events is not None and self.taken is None:
                conductor.book.event("events", f"scripted disturbances: {self.events.title}")
            if self.specimen is not None:
                _tell(conductor, self.specimen, self.plan, begins=self.taken is None)
                _stop_where_it_ends(conductor, desk, rig, self.specimen)
            return await _conducted(conductor, recorder)
        except BaseException:
            recorder.abandon()
            raise
        finally:
            await close(rig)


async def _conducted(conductor: Conductor, recorder: Recorder) -> tuple[Verdict, float, Path]:
    verdict = await conductor.run()
    test_s = conductor.book.time
    ending = (verdict.outcome, verdict.why, verdict.cycles, test_s, verdict.residual)
    path = recorder.finish(*ending)
    return verdict, test_s, path


def _tell(conductor: Conductor, specimen: StandIn, plan: Plan, *, begins: bool) -> None:
    """Write down what is in the rig, and what it cannot tell."""
    for text in filter(None, (specimen.said, specimen.other_load(plan)) if begins else ()):
        conductor.book.event("recording", text)


def _stop_where_it_ends(conductor: Conductor, desk: Desk, rig: Rig, specimen: StandIn) -> None:
    """Ask for the normal stop once the recording tells nothing more of the specimen."""
    each_block, acquisition = conductor.stream.on_block, rig.acquisition
    asked = False

    def look() -> None:
        nonlocal asked
        each_block()
        if not asked and getattr(acquisition, "recording_over", False):
            asked = True
            desk.ask(Request("stop", who="this program", text=specimen.at_its_end))

    conductor.stream.on_block = look


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
