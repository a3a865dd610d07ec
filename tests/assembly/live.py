"""A live test in this process: real loop, real recorder process, paced rig.

The actuator is watched: when which command came, by the system's monotonic clock.
"""

from __future__ import annotations

import asyncio
import re
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any

from rig.assembly import simulation_setup
from rig.assembly.events_file import Events
from rig.assembly.result import header_of
from rig.clock import SystemClock
from rig.commands.files import load
from rig.control.conditioned import conditioned
from rig.control.conductor import Conductor
from rig.control.desk import Desk
from rig.control.taken_up import Verdict
from rig.ports import Rig
from rig.protocol.plan import Plan
from rig.record.remote import RemoteRecorder
from simulators.faults import Fault
from simulators.rig import simulated_rig
from tests.assembly.nights import PROTOCOL, QUICKER

LONGEST = 300.0  # [s]: a measurement that hangs ends
PACKAGED = Path(str(resources.files("protocols")))
FATIGUE = '[[stage]]\nname = "fatigue"'
REST = """[[stage]]
name = "rest"
kind = "hold"
at = "20 kN"
duration = "{hold}"
"""


def plan_in(folder: Path, hold: str = "1 s") -> Plan:
    """Return the plan of a short test without horn, on a rig that answers quickly."""
    folder.mkdir(parents=True, exist_ok=True)
    specimen = (PACKAGED / "specimens" / "prism-small.toml").as_posix()
    text = PROTOCOL.format(specimen=specimen, run_out=100_000)
    text = text.replace(FATIGUE, REST.format(hold=hold) + FATIGUE)
    text = text.replace("[full_rate]", '[full_rate]\nfirst = "100000 cycles"')
    rig = (PACKAGED / "rigs" / "simulated.toml").read_text(encoding="utf-8")
    rig = re.sub(r"(?s)\[warning_signal\].*?(?=^\[)", "", rig, flags=re.MULTILINE)
    for slow in ("gap", "servo_bandwidth"):
        was = next(key for key in QUICKER if key.startswith(slow))
        rig = rig.replace(was, QUICKER[was])
    (folder / "p.toml").write_text(text, "utf-8")
    (folder / "rig.toml").write_text(rig, "utf-8")
    return load(str(folder / "p.toml"), str(folder / "rig.toml"))


class FastClock(SystemClock):
    """Real time at a pace of its own: a test of a minute in seconds."""

    def __init__(self, pace: float) -> None:
        self._pace = pace

    def now(self) -> float:
        return time.monotonic() * self._pace

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds / self._pace)


@dataclass
class Watched:
    """An actuator whose commands are noted with their times [s]."""

    actuator: Any
    acts: list[tuple[str, float]] = field(default_factory=list)

    def __getattr__(self, name: str) -> Any:
        found = getattr(self.actuator, name)
        if name in ("range", "status", "write_limits", "read_limits"):
            return found

        async def noted(*arguments: Any) -> Any:
            self.acts.append((name, time.monotonic()))
            return await found(*arguments)

        return noted

    def last(self, name: str, before: float = float("inf")) -> float:
        """Return when a command last came before a moment."""
        return max(t for n, t in self.acts if n == name and t <= before)

    def first(self, name: str, after: float) -> float:
        """Return when a command first came after a moment."""
        return min(t for n, t in self.acts if n == name and t >= after)


@dataclass
class Live:
    """One live test under way: its parts, and when its device time began [s]."""

    conductor: Conductor
    recorder: RemoteRecorder
    rig: Rig
    actuator: Watched
    desk: Desk
    began: float = 0.0


async def carry_out(
    plan: Plan,
    folder: Path,
    beside: Callable[[Live], Awaitable[None]],
    *,
    faults: tuple[Fault, ...] = (),
    seed: int = 1,
    recorder_command: list[str] | None = None,
    silence: float = 1000.0,
    memory: int = 64_000_000,
    finish: bool = False,
    pace: float = 1.0,
    events: Events | None = None,
) -> tuple[Live, Verdict]:
    """Carry a plan out with something `beside` it; return how it ended.

    `pace` is device time in one real second; the recorder, its disk and the watchdog keep real
    time. `events` happen to rig and specimen.
    """
    clock = FastClock(pace)
    setup = replace(simulation_setup(plan), faults=faults, watchdog=0.5 * pace)
    if events is not None:
        setup = events.disturbed(setup)
    rig = conditioned(simulated_rig(setup, seed, clock, paced=True), plan)
    actuator = Watched(rig.actuator)
    rig = replace(rig, actuator=actuator)
    header = header_of(plan, folder, seed, clock.utc(), simulated=True)
    recorder = await RemoteRecorder.create(
        folder, header, command=recorder_command, silence=silence, memory=memory
    )
    desk = Desk()
    conductor = Conductor(plan, rig, recorder, one_tick=True, desk=desk, live=True, clock=clock)
    live = Live(conductor, recorder, rig, actuator, desk, time.monotonic())
    try:
        async with asyncio.timeout(LONGEST), asyncio.TaskGroup() as group:
            other = group.create_task(beside(live))
            verdict = await conductor.run()
            other.cancel()
        if finish:
            end = (verdict.outcome, verdict.why, verdict.cycles)
            await recorder.finish(*end, conductor.book.time)
    finally:
        await recorder.abandon()
        await rig.acquisition.close()  # type: ignore[attr-defined]
    return live, verdict


async def until(live: Live, state: str) -> None:
    """Wait until the conductor is in a state."""
    while live.conductor.book.state != state:  # noqa: ASYNC110 - nothing tells of a state
        await asyncio.sleep(0.02)
