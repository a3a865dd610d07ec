"""A test in real time: conductor, record and door side by side until the verdict."""

from __future__ import annotations

import asyncio
import os
import signal
from collections.abc import Callable
from functools import partial
from pathlib import Path

from rig.assembly.closing import LastDesk, close_record
from rig.assembly.telling import Teller
from rig.clock import Clock
from rig.control.address import make_folder, socket_name, sweep
from rig.control.checklist import CAUTIONS, checklist
from rig.control.conditioning import corrections
from rig.control.conductor import Conductor
from rig.control.desk import Answer, Desk, Request
from rig.control.permit import LOCAL_WAIT
from rig.control.server import Door
from rig.control.states import possible
from rig.control.taken_up import TakenUp, Verdict
from rig.errors import EXIT_CODES
from rig.ports import Rig
from rig.protocol.plan import Plan
from rig.record.entries import Ending
from rig.record.remote import RemoteRecorder


class LiveTest:
    """One plan on one rig, recorded in a folder and open to requests. Use `run` once.

    `taken` is where a test that was cut off goes on; `told` that people are told of it, as it is
    kept in its folder.
    """

    def __init__(
        self,
        plan: Plan,
        rig: Rig,
        recorder: RemoteRecorder,
        clock: Clock,
        folder: Path,
        *,
        on_call: str = "",
        taken: TakenUp | None = None,
        told: bool = False,
    ) -> None:
        self._plan, self._rig, self._recorder = plan, rig, recorder
        self._clock, self._folder = clock, folder.resolve()
        self._desk = LastDesk()
        self._conductor = Conductor(
            plan,
            rig,
            recorder,
            snapshot=getattr(rig.acquisition, "snapshot", None),
            desk=self._desk,
            one_tick=True,
            live=True,
            clock=clock,
            on_call=on_call,
            taken=taken,
        )
        self._begins = taken is None
        self._teller = Teller(self._folder, clock.utc(), clock) if told else None

    async def run(self, on_ready: Callable[[], None]) -> int:
        """Carry the test out, finish its record, and return the run's exit code.

        `on_ready` is called once people can ask. Raises StorageError where the record stopped the
        test or cannot be finished; its journal holds what was acknowledged.
        """
        stop_on_sigterm(self._desk)
        try:
            verdict = await self._conducted(on_ready)
        except BaseException:
            await self._recorder.abandon()
            raise
        return EXIT_CODES[verdict.last.outcome]

    async def _conducted(self, on_ready: Callable[[], None]) -> Verdict:
        sweep()
        door = Door(
            make_folder() / socket_name(self._folder),
            self._desk,
            synced=self._recorder.synced,
            look=self.look,
        )
        try:
            async with door, asyncio.TaskGroup() as group:
                beside = [group.create_task(door.stay(self._clock))]
                try:
                    on_ready()
                    telling = group.create_task(self._told())
                    beside.append(telling)
                    for text in corrections(self._plan) if self._begins else ():
                        self._conductor.book.event("corrected", text)
                    verdict = await self._conductor.run()
                    telling.cancel()
                    await self._finish(verdict)
                finally:
                    for task in beside:
                        task.cancel()
                    if self._teller is not None:
                        self._teller.last_look()
        except BaseExceptionGroup as several:
            # One thing went wrong; the group only wraps it.
            raise several.exceptions[0] from None
        return verdict

    async def _told(self) -> None:
        """Have people told of the test, as long as it goes on."""
        if self._teller is not None:
            await self._teller.look_after(partial(self._conductor.book.event, "messages"))

    async def _finish(self, verdict: Verdict) -> None:
        time = self._conductor.book.time
        ending = Ending(verdict.outcome, verdict.why, verdict.cycles, time, verdict.residual)
        await close_record(self._recorder, ending, self._desk)

    def _possible(self) -> list[str]:
        state = self._conductor.book.state
        if state == "checklist":
            return ["confirm", "stop"]
        return ["stop"] if self._desk.trouble else list(possible(state))

    def look(self) -> dict[str, object]:
        """Return what the run says of itself, as plain values."""
        book, rig = self._conductor.book, self._plan.rig
        waits = book.state == "checklist"
        return {
            "run": str(self._folder),
            "pid": os.getpid(),
            "title": self._plan.title,
            "specimen_id": self._plan.specimen_id,
            "rig": rig.name,
            "state": book.state,
            "cycles": book.counted,
            "run_out": self._plan.cyclic.run_out if self._plan.cyclic else 0,
            "possible": self._possible(),
            "trouble": self._desk.trouble,
            "local_input": "" if self._rig.emulated else rig.local_input,
            "local_wait_s": LOCAL_WAIT,
            "cautions": list(CAUTIONS) if waits else [],
            "checklist": list(checklist(self._plan)) if waits else [],
        }


def stop_on_sigterm(desk: Desk) -> None:
    """Let SIGTERM ask for a stop; again at the next one where it was refused."""
    asked: asyncio.Future[Answer] | None = None

    def ask() -> None:
        nonlocal asked
        if asked is None or (asked.done() and not asked.result().done):
            asked = desk.ask(Request("stop", who="SIGTERM", text="the computer asks to end"))

    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, ask)
