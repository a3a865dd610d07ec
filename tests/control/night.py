"""Whole tests in virtual time with accidents that no fault of the simulated rig brings about.

The accidents: a line that loses heartbeats, a controller that does not answer, a record in
trouble, a rig that is not emulated. Everything else is the real conductor, rig and recorder.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from rig.assembly import simulation_setup
from rig.assembly.devices import restore_simulated
from rig.assembly.looking_back import look_back
from rig.clock import Clock, VirtualClock, VirtualLoop
from rig.control.conditioned import conditioned
from rig.control.conductor import Conductor
from rig.control.desk import Desk, Request
from rig.control.taken_up import TakenUp, Verdict
from rig.errors import DeviceError
from rig.protocol.plan import Plan
from rig.record import Recorder, read_journal
from rig.record.status import Status
from rig.record.take_up import take_up
from simulators.faults import Fault
from simulators.rig import simulated_rig
from tests.record.runs import header


@dataclass(frozen=True)
class Accidents:
    """What goes wrong from these frames on; None: never. `faults` are the simulated rig's.

    At frame `cut` the program is gone: nothing more is recorded. The `watchdog` of the simulated
    controller may take another time [s] than it ought to.
    """

    heartbeats_lost: int | None = None
    no_answer: int | None = None
    watchdog_told: int | None = None
    record_trouble: int | None = None
    no_samples: int | None = None
    inputs_hang: int | None = None
    cut: int | None = None
    watchdog: float | None = None
    faults: tuple[Fault, ...] = ()


class Gone(BaseException):
    """The program is gone, as by a power cut."""


@dataclass(frozen=True)
class Again:
    """A night that goes on with one that was cut off, after the rig stood `alone` [s].

    `edit` changes what its record tells. A `real` specimen has had all that is recorded.
    """

    of: Walked
    alone: float = 120.0
    edit: Callable[[TakenUp], TakenUp] = lambda taken: taken
    real: bool = False


@dataclass(frozen=True)
class Walked:
    """What happened: the steps through the states with their frames, and the verdict.

    A night that was cut off has no verdict.
    """

    path: tuple[tuple[str, str, str], ...]
    frames: tuple[int, ...]
    verdict: Verdict | None
    conductor: Conductor
    rig: object
    folder: Path
    acts: list[str]
    act_frames: dict[str, int]
    statuses: tuple[tuple[int, Status], ...]

    def shown(self, state: str) -> list[Status]:
        """Return what people were shown while the test was in a state."""
        return [status for _, status in self.statuses if status.state == state]

    def events(self, kind: str) -> list[str]:
        """Return the texts of a kind of event, as the journal has them."""
        with read_journal(self.folder) as journal:
            return [e.text for e in journal.events() if e.kind == kind]

    def entered(self, state: str, nth: int = 0) -> int:
        """Return the frame at which a state was entered for the nth time."""
        at = [f for f, (_, _, to) in zip(self.frames, self.path, strict=True) if to == state]
        return at[nth]


class _Line:
    """An actuator behind a line that can fail."""

    def __init__(self, actuator, frame, accidents: Accidents) -> None:
        self._actuator = actuator
        self._frame = frame
        self._accidents = accidents
        self.acts: list[str] = []
        self.act_frames: dict[str, int] = {}

    def __getattr__(self, name: str):
        found = getattr(self._actuator, name)
        if name == "range":
            return found

        async def answered(*arguments):
            if name in ("close_valve", "pressure"):
                act = " ".join((name, *map(str, arguments)))
                self.acts.append(act)
                self.act_frames.setdefault(act, self._frame())
            silent = self._accidents.no_answer
            if silent is not None and self._frame() >= silent:
                raise DeviceError("the controller does not answer; look at its line")
            return await found(*arguments)

        return answered

    async def heartbeat(self) -> None:
        lost = self._accidents.heartbeats_lost
        if lost is None or self._frame() < lost:
            await self._actuator.heartbeat()

    async def status(self):
        status = await self.__getattr__("status")()
        told = self._accidents.watchdog_told
        if told is not None and self._frame() >= told:
            return replace(status, stopped_by="watchdog")
        return status


class _HangingInputs:
    """Inputs behind a line on which an answer never comes."""

    def __init__(self, inputs, frame, hang: int | None) -> None:
        self._inputs, self._frame, self._hang = inputs, frame, hang

    async def read(self):
        if self._hang is not None and self._frame() >= self._hang:
            await asyncio.Event().wait()
        return await self._inputs.read()


class _SilentLine:
    """An acquisition behind a line that goes silent; it gives at most so many frames at once."""

    def __init__(self, acquisition, frame, accidents: Accidents, most: int | None) -> None:
        self._acquisition = acquisition
        self._frame = frame
        self._from = accidents.no_samples
        self._cut = accidents.cut
        self._most = most

    def __getattr__(self, name: str):
        return getattr(self._acquisition, name)

    async def read(self, frames: int):
        if self._cut is not None:
            if self._frame() >= self._cut:
                raise Gone
            frames = min(frames, self._cut - self._frame())
        if self._from is not None and self._frame() >= self._from:
            await asyncio.Event().wait()
        ahead = frames if self._from is None else max(self._from - self._frame(), 1)
        return await self._acquisition.read(min(frames, ahead, self._most or frames))


class _Watched:
    """A recorder that notes when steps through the states were written, and can be in trouble.

    With `every` [frames] a commit is due so often in test time, not in real time, and is none;
    with `paced` [frames] it is due so often and made.
    """

    def __init__(
        self,
        recorder: Recorder,
        frame,
        accidents: Accidents,
        every: int | None,
        paced: int | None = None,
    ) -> None:
        self._paced = paced
        self._recorder = recorder
        self._frame = frame
        self._every, self._committed = every, 0
        self.statuses: list[tuple[int, Status]] = []
        self._trouble_from = accidents.record_trouble
        self.steps: list[int] = []

    def __getattr__(self, name: str):
        return getattr(self._recorder, name)

    @property
    def trouble(self) -> str:
        late = self._trouble_from is not None and self._frame() >= self._trouble_from
        return "journal.db: the recorder's memory is full" if late else ""

    @property
    def due(self) -> bool:
        every = self._every or self._paced
        if every is None:
            return self._recorder.due
        return self._frame() - self._committed >= every

    def commit(self) -> None:
        self._committed = self._frame()
        if self._every is None:  # else the disk would be what such a night costs
            self._recorder.commit()

    def restart_point(self, values) -> None:
        if self._every is None:
            self._recorder.restart_point(values)

    def status(self, status: Status) -> None:
        self.statuses.append((self._frame(), status))
        if self._every is None:
            self._recorder.status(status)

    def event(self, time, cycle, kind, text) -> None:
        if kind == "state":
            self.steps.append(self._frame())
        self._recorder.event(time, cycle, kind, text)


def walk(
    plan: Plan,
    folder: Path,
    *,
    script: Sequence[tuple[int, Request]] = (),
    accidents: Accidents = Accidents(),
    emulated: bool = True,
    seed: int = 1,
    clock: Clock | None = None,
    paced: bool = False,
    looks: int | None = None,
    on_call: str = "",
    commits: int | None = None,
    again: Again | None = None,
) -> Walked:
    """Carry a plan out in virtual time; `script` holds frames and requests.

    With `looks` the status is taken every so many frames, and no block is longer; with `commits`
    the record is committed so often. `again` goes on with a night that was cut off.

    With a `clock` the conductor lives in real time as that clock tells it; with `paced` the
    rig goes on with it, read in blocks of one tick.
    """
    folder.mkdir(parents=True)
    taken = None
    if again is not None:
        shutil.copytree(again.of.folder, folder / "run")
        found = look_back(folder / "run")
        if again.real:
            found = replace(found, header=replace(found.header, simulated=False))
        taken = again.edit(found.taken_up(again.alone, "the program was gone"))
        take_up(folder / "run", found.kept_rows)
    begin = taken.begin / plan.rig.rate if taken else 0.0
    with asyncio.Runner(loop_factory=partial(VirtualLoop, begin)) as runner:
        return runner.run(
            _walk(
                plan,
                folder,
                script,
                accidents,
                emulated,
                seed,
                clock,
                paced,
                looks,
                on_call,
                commits,
                taken,
            )
        )


async def _walk(
    plan,
    folder,
    script,
    accidents,
    emulated,
    seed,
    clock,
    paced,
    looks,
    on_call,
    commits,
    taken,
) -> Walked:
    setup = replace(simulation_setup(plan), faults=accidents.faults)
    setup = replace(setup, watchdog=accidents.watchdog or setup.watchdog)
    hang = accidents.inputs_hang
    live = accidents.no_samples is not None or clock is not None or hang is not None
    clock = clock or VirtualClock()
    rig = simulated_rig(setup, seed, clock, paced=paced)
    channels = plan.rig.channels
    restore_simulated(rig, taken)
    head = replace(
        header(), rate=plan.rig.rate, channels=channels, simulated=emulated, virtual=True
    )
    record = Recorder.create if taken is None else Recorder.reopen
    recorder = record(folder / "run", head)
    watched = _Watched(recorder, lambda: conductor.stream.now, accidents, looks, commits)
    verdict = None
    try:
        line = _Line(rig.actuator, lambda: conductor.stream.now, accidents)
        samples = _SilentLine(rig.acquisition, lambda: conductor.stream.now, accidents, looks)
        rig = replace(rig, actuator=line, acquisition=samples, emulated=emulated)
        rig = replace(rig, inputs=_HangingInputs(rig.inputs, lambda: conductor.stream.now, hang))
        rig = conditioned(rig, plan)
        conductor = Conductor(
            plan,
            rig,
            watched,
            snapshot=rig.acquisition.snapshot if commits else None,
            desk=Desk(script),
            live=live,
            one_tick=paced,
            clock=clock,
            on_call=on_call,
            taken=taken,
        )
        with contextlib.suppress(Gone):
            verdict = await conductor.run()
            recorder.commit()
    finally:
        recorder.abandon()
        await rig.acquisition.close()
    return Walked(
        tuple(conductor.book.path),
        tuple(watched.steps),
        verdict,
        conductor,
        rig,
        folder / "run",
        line.acts,
        line.act_frames,
        tuple(watched.statuses),
    )
