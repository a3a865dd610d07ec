"""Whole tests in virtual time with accidents that no fault of the simulated rig brings about.

The accidents: a line that loses heartbeats, a controller that does not answer, a record in
trouble, a rig that is not emulated. Everything else is the real conductor, rig and recorder.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from rig.assembly import simulation_setup
from rig.clock import Clock, VirtualClock, VirtualLoop
from rig.control.conductor import Conductor
from rig.control.desk import Desk, Request
from rig.control.taken_up import Verdict
from rig.errors import DeviceError
from rig.protocol.plan import Plan
from rig.record import Recorder, read_journal
from rig.record.status import Status
from simulators.faults import Fault
from simulators.rig import simulated_rig
from tests.record.runs import header


@dataclass(frozen=True)
class Accidents:
    """What goes wrong from these frames on; None: never. `faults` are the simulated rig's."""

    heartbeats_lost: int | None = None
    no_answer: int | None = None
    watchdog_told: int | None = None
    record_trouble: int | None = None
    no_samples: int | None = None
    inputs_hang: int | None = None
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True)
class Walked:
    """What happened: the steps through the states with their frames, and the verdict."""

    path: tuple[tuple[str, str, str], ...]
    frames: tuple[int, ...]
    verdict: Verdict
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
        self._most = most

    def __getattr__(self, name: str):
        return getattr(self._acquisition, name)

    async def read(self, frames: int):
        if self._from is not None and self._frame() >= self._from:
            await asyncio.Event().wait()
        ahead = frames if self._from is None else max(self._from - self._frame(), 1)
        return await self._acquisition.read(min(frames, ahead, self._most or frames))


class _Watched:
    """A recorder that notes when steps through the states were written, and can be in trouble.

    With `every` [frames] a commit is due so often in test time, not in real time.
    """

    def __init__(self, recorder: Recorder, frame, accidents: Accidents, every: int | None) -> None:
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
        if self._every is None:
            return self._recorder.due
        return self._frame() - self._committed >= self._every

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
) -> Walked:
    """Carry a plan out in virtual time; `script` holds frames and requests.

    With `looks` the status is taken every so many frames, and no block is longer.

    With a `clock` the conductor lives in real time as that clock tells it; with `paced` the
    rig goes on with it, read in blocks of one tick.
    """
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        night = _walk(plan, folder, script, accidents, emulated, seed, clock, paced, looks, on_call)
        return runner.run(night)


async def _walk(
    plan, folder, script, accidents, emulated, seed, clock, paced, looks, on_call
) -> Walked:
    setup = replace(simulation_setup(plan), faults=accidents.faults)
    hang = accidents.inputs_hang
    live = accidents.no_samples is not None or clock is not None or hang is not None
    clock = clock or VirtualClock()
    rig = simulated_rig(setup, seed, clock, paced=paced)
    channels = plan.rig.channels
    folder.mkdir(parents=True)
    head = replace(header(), rate=plan.rig.rate, channels=channels)
    recorder = Recorder.create(folder / "run", head)
    watched = _Watched(recorder, lambda: conductor.stream.now, accidents, looks)
    try:
        line = _Line(rig.actuator, lambda: conductor.stream.now, accidents)
        samples = _SilentLine(rig.acquisition, lambda: conductor.stream.now, accidents, looks)
        rig = replace(rig, actuator=line, acquisition=samples, emulated=emulated)
        rig = replace(rig, inputs=_HangingInputs(rig.inputs, lambda: conductor.stream.now, hang))
        conductor = Conductor(
            plan,
            rig,
            watched,
            desk=Desk(script),
            live=live,
            one_tick=paced,
            clock=clock,
            on_call=on_call,
        )
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
