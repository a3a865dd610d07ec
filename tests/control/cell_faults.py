"""Load cells at fault in every phase of a test: what stopped it, how soon, how far the rod went.

The cell itself is at fault, so that the controller closes its loop on what it shows: it pushes
where the cell says that the load is short. Where the rod was is the simulated machine's own
account, frame by frame, and no channel of the rig.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from rig.assembly import simulation_setup
from rig.clock import VirtualClock, VirtualLoop
from rig.commands.files import load
from rig.control.conductor import Conductor
from rig.control.desk import Desk
from rig.protocol.plan import Plan
from rig.samples import SampleBlock
from simulators.faults import (
    Drifting,
    Fault,
    Flat,
    Foreign,
    InLoop,
    Saturated,
    Scaled,
    SensorFault,
)
from simulators.rig import simulated_rig
from tests.control.conftest import ROOT, changed
from tests.control.fault_nights import _Overheard, _Remembered

EVER: Final = 10**9
TICK: Final = 20
"""Frames of 20 ms at 1 kHz: what is commanded takes effect at such a frame."""

_PROTOCOL: Final = {
    r"^settle = .*$": 'settle = "1 s"',
    r'^duration = "1 s"$': 'duration = "3 s"',
    r"^build_up = .*$": 'build_up = "12 cycles"',
    r"^run_out = .*$": 'run_out = "60 cycles"',
    r'^from = "40 cycles"': 'from = "10 cycles"',
    r'^to = "80 cycles"': 'to = "20 cycles"',
    r'^at = \["150 cycles"\]$': 'at = ["40 cycles"]',
    r'rate = "60 kN/s"': 'rate = "10 kN/s"',
    r'^go_on_after = "20 s"': 'go_on_after = "1 s"',
    r"^zero = true.*$": "zero = false",
    r"^after_stop = .*$": 'after_stop = "1 s"',
}
_SECOND: Final = """
[[channel]]
name = "load_2"
resolution = "10 N"
noise = "60 N"
range = ["-25 kN", "260 kN"]
"""

PHASES: Final[Mapping[str, tuple[str, int]]] = {
    "approach": ("approach", 1_000),
    "static in deflection control": ("static", 400),
    "ramp": ("ramp", 1_000),
    "hold": ("hold", 2_000),
    "to mean load": ("build-up", 1_500),
    "build-up": ("build-up", 6_600),
    "cycling": ("cycling", 6_130),
    "inspection check": ("inspection", 4_000),
}
"""State, and how many frames after it was entered first the fault begins."""

CELLS: Final[Mapping[str, Callable[[int], SensorFault]]] = {
    "flat": lambda at: Flat("load", at, EVER),
    "saturated": lambda at: Saturated("load", at, EVER),
    "drifting": lambda at: Drifting("load", at, EVER, -3e3),
    "wrong sign": lambda at: Scaled("load", at, EVER, -1.0),
    "another frame's": lambda at: Foreign("load", at, EVER, 30e3, 20e3, 2.0),
}
"""What the cell has from a frame on; a drifting one shows 3 kN less every second."""

NOBODY_CAN_TELL: Final = "drifting"
"""Without a second measure a slow drift looks like a specimen that creeps or softens.

Only once it carries nothing the zero tells of it: before, a limit or a criterion ends the test.
"""


@dataclass(frozen=True)
class Ended:
    """How it ended.

    `waited` is the time [s] from the fault to the order that closed the valve, `pushed` how far
    the rod went forward meanwhile [m], `after` how far it moved once the valve was closed [m].
    `orders` are those from the closing on, `load` the true load at the end [N].
    """

    outcome: str
    why: str
    state: str
    waited: float
    pushed: float
    after: float
    orders: tuple[str, ...]
    load: float
    entered: Mapping[str, float]
    events: tuple[tuple[float, str, str], ...]

    @property
    def row(self) -> str:
        """What is printed of it."""
        ways = f"{self.waited * 1e3:6.0f} ms {self.pushed * 1e3:6.2f} mm"
        return f"{self.outcome:8} {ways}, then {self.after * 1e3:.2f} mm; {self.why}"


def plans(folder: Path) -> dict[bool, Plan]:
    """Return the plan without and with a second measure of load."""
    text = (ROOT / "first-night.toml").read_text(encoding="utf-8")
    for kind in ("specimens", "series"):
        text = text.replace(f'"{kind}/', f'"{ROOT.as_posix()}/{kind}/')
    rig = (ROOT / "rigs" / "simulated.toml").read_text(encoding="utf-8")
    (folder / "p.toml").write_text(changed(text, _PROTOCOL), encoding="utf-8")
    found = {}
    for second in (False, True):
        path = folder / f"rig-{second}.toml"
        texts = {r"^before = .*$": 'before = "1 s"', **({r"\Z": _SECOND} if second else {})}
        path.write_text(changed(rig, texts), encoding="utf-8")
        whole = load(str(folder / "p.toml"), str(path))
        found[second] = replace(whole, spray=None, exposure="dry")
    return found


class _Followed:
    """An acquisition beside which the machine's own account of the rod is kept."""

    def __init__(self, acquisition: Any, swapped: bool) -> None:
        self._acquisition, self._swapped = acquisition, swapped
        self.machine = acquisition._machine
        self.rod: list[tuple[int, float]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._acquisition, name)

    async def read(self, frames: int) -> SampleBlock:
        block = await self._acquisition.read(frames)
        if not self._swapped:
            return block
        names = {"load": "load_2", "load_2": "load"}
        rows = [block.channels.index(names.get(name, name)) for name in block.channels]
        return replace(block, values=block.values[rows])

    async def keep(self, frames: int) -> None:
        await self._acquisition.keep(frames)
        self.note()

    def note(self) -> None:
        self.rod.append((self.machine.frame, float(self.machine.now.stroke[0])))


def carry_out(plan: Plan, *faults: Fault, swapped: bool = False) -> Ended:
    """Carry a test out in virtual time; `swapped` are load and load_2 of its samples."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(_carried_out(plan, faults, swapped))


async def _carried_out(plan: Plan, faults: tuple[Fault, ...], swapped: bool) -> Ended:
    clock = VirtualClock()
    inner = simulated_rig(replace(simulation_setup(plan), faults=faults), 1, clock)
    followed = _Followed(inner.acquisition, swapped)
    heard = _Overheard(inner.actuator, lambda: conductor.stream.now)
    record = _Remembered(bug=False)
    rig = replace(inner, actuator=heard, acquisition=followed)
    conductor = Conductor(plan, rig, record, desk=Desk(), clock=clock)
    try:
        verdict = await conductor.run()
    finally:
        await inner.acquisition.close()
    states = [(time, text.split(",")[0]) for time, kind, text in record.events if kind == "state"]
    begins = min((begin_of(fault) for fault in faults), default=0)
    closed = next(at for at, order in heard.orders if order == "close_valve")
    then = [rod for frame, rod in followed.rod if begins <= frame <= closed]
    left = [rod for frame, rod in followed.rod if frame >= closed]
    return Ended(
        verdict.outcome,
        verdict.why,
        conductor.book.path[-2][0],
        (closed - begins) / plan.rig.rate,
        max(then) - then[0],
        max(left) - min(left),
        tuple(order for at, order in heard.orders if at >= closed),
        float(followed.machine.now.load[0]),
        {state: time for time, state in reversed(states)},
        tuple(record.events),
    )


def begin_of(fault: Fault) -> int:
    """Return the frame at which a cell begins to be at fault."""
    found: int = fault.fault.begin if isinstance(fault, InLoop) else fault.begin
    return found


def frame_in(undisturbed: Ended, phase: str, rate: float) -> int:
    """Return the frame in a phase, at a tick, at which a cell is to begin to be at fault."""
    state, later = PHASES[phase]
    return -(-(round(undisturbed.entered[state] * rate) + later) // TICK) * TICK
