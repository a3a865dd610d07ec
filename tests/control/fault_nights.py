"""Short tests in virtual time for the table of faults: a plan, a record in memory, what was left.

The conductor, the simulated rig and its accidents are the real ones. In place of a disk there is
a record that only remembers: a hundred nights on a disk would take minutes.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from rig.assembly import simulation_setup
from rig.clock import Clock, VirtualClock, VirtualLoop
from rig.commands.files import load
from rig.control.conductor import Conductor
from rig.control.desk import Desk, Request
from rig.errors import EXIT_CODES
from rig.ports import Rig
from rig.protocol.plan import Cyclic, Plan
from simulators.faults import Fault
from simulators.rig import simulated_rig
from tests.control.conftest import ROOT, changed

SEATED = -2.22e-4
"""Gap [m] at which the specimen carries mean load where a plan has no approach."""

_PROTOCOL = {
    r'(?s)^\[\[stage\]\]\nname = "pre-crack".*?(?=^\[\[stage\]\]\nname = "fatigue")': "",
    r'^load = \["-2 kN"': 'load = ["-6 kN"',
    r"^settle = .*$": 'settle = "0.1 s"',
    r"^build_up = .*$": 'build_up = "4 cycles"',
    r"^run_out = .*$": 'run_out = "24 cycles"',
    r'^from = "40 cycles"': 'from = "3 cycles"',
    r'^to = "80 cycles"': 'to = "8 cycles"',
    r"^begin = .*$": 'begin = "2 cycles"',
    r'^on = "15 s"': 'on = "11 s"',
    r'^every = "30 s"': 'every = "12 s"',
    r"retries = 1": "retries = 0",
    r'^at = \["150 cycles"\]$': 'at = ["4 cycles"]',
    r'^go_on_after = "20 s"': 'go_on_after = "5 s"',
    r"^after_stop = .*$": 'after_stop = "0.5 s"',
}
_RIG = {
    r"^before = .*$": 'before = "1 s"',
    r"\Z": """
[[channel]]
name = "crack_opening"
resolution = "0.5 um"
noise = "1 um"
range = ["-1 mm", "5 mm"]

[[channel]]
name = "temperature_air"
resolution = "0.1 K"
noise = "0.05 K"
range = ["-20 degC", "60 degC"]
slow = true
""",
}


_WITNESSES = """[[channel]]
name = "support_right"
resolution = "0.5 um"
noise = "1 um"
range = ["-5 mm", "5 mm"]

[[channel]]
name = "stroke"
resolution = "1 um"
noise = "2 um"
range = ["-60 mm", "60 mm"]

"""


def plans(folder: Path) -> dict[str, Plan]:
    """Return the plans by name.

    "witnesses" cycles for longer on a rig that samples its stroke too.
    "plain" cycles at once, dry and without inspection; "short" does for fewer cycles, "wet" with
    spray and for more, "inspected" with an inspection; "approach" makes contact first.
    """
    text = (ROOT / "first-night.toml").read_text(encoding="utf-8")
    for kind in ("specimens", "series"):
        text = text.replace(f'"{kind}/', f'"{ROOT.as_posix()}/{kind}/')
    rig = (ROOT / "rigs" / "simulated.toml").read_text(encoding="utf-8")
    (folder / "p.toml").write_text(changed(text, _PROTOCOL), encoding="utf-8")
    (folder / "rig.toml").write_text(changed(rig, _RIG), encoding="utf-8")
    whole = load(str(folder / "p.toml"), str(folder / "rig.toml"))
    approach = replace(whole, spray=None, exposure="dry", inspections=None)
    cyclic = tuple(s for s in whole.stages if isinstance(s, Cyclic))

    def cycles(plan: Plan, run_out: int) -> Plan:
        return replace(plan, stages=tuple(replace(s, run_out=run_out) for s in cyclic))

    more = rig.replace("[pump]", f"{_WITNESSES}[pump]")
    (folder / "more.toml").write_text(changed(more, _RIG), encoding="utf-8")
    witnessed = load(str(folder / "p.toml"), str(folder / "more.toml"))
    dry = replace(witnessed, spray=None, exposure="dry", inspections=None)

    return {
        "approach": approach,
        "witnesses": cycles(dry, 260),
        "plain": cycles(approach, 24),
        "short": cycles(approach, 8),
        "wet": cycles(replace(whole, inspections=None), 100),
        "inspected": cycles(replace(approach, inspections=whole.inspections), 30),
    }


@dataclass(frozen=True)
class Night:
    """One test: accidents of the simulated rig, what people ask for, devices replaced by bad ones.

    `script` holds frames and verbs, `bad` makes a device (by its name in `Rig`) of the simulated
    one, `setup` changes the simulated rig. Devices of a `live` rig must answer; a `paced` one
    goes on with `clock`; `ticks` keeps the blocks to one tick. With `bug` the record raises what
    only an error of the program would.
    """

    faults: tuple[Fault, ...] = ()
    script: tuple[tuple[int, str], ...] = ()
    bad: Mapping[str, Callable[[Any], Any]] = field(default_factory=dict)
    setup: Mapping[str, Any] = field(default_factory=dict)
    live: bool = False
    paced: bool = False
    ticks: bool = False
    clock: Callable[[], Clock] = VirtualClock
    bug: bool = False


@dataclass(frozen=True)
class Ended:
    """What became of it: the verdict, what is in the record, and how the rig was left.

    `path` holds (state, cause, following state), `orders` what the actuator was told and when,
    `left` what is not off. `stopped` and `asked` are the frames at which the stop began (None: it
    was not written down) and at which somebody asked for it.
    """

    code: int
    outcome: str
    why: str
    path: list[tuple[str, str, str]]
    events: list[tuple[float, str, str]]
    numbers: list[int]
    flags: int
    orders: list[tuple[int, str]]
    left: set[str]
    stopped: int | None
    asked: int


class _Remembered:
    """A record that nobody can read again: what was written, in order."""

    due = False
    trouble = ""

    def __init__(self, *, bug: bool) -> None:
        self.events: list[tuple[float, str, str]] = []
        self.numbers: list[int] = []
        self.flags = 0
        self._bug = bug

    def __getattr__(self, _name: str) -> Callable[..., None]:
        return lambda *_values: None

    def event(self, time, _cycle, kind, text) -> None:
        self.events.append((time, kind, text))

    def cycles(self, rows) -> None:
        if self._bug:
            raise ZeroDivisionError("an error of the program")
        self.numbers += rows["number"].tolist()
        self.flags |= int(np.bitwise_or.reduce(rows["flags"]))

    async def synced(self) -> None:
        return None


class _Overheard:
    """An actuator whose orders are written down with their frames."""

    def __init__(self, actuator: Any, now: Callable[[], int]) -> None:
        self._actuator, self._now = actuator, now
        self.orders: list[tuple[int, str]] = []

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._actuator, name)
        if name in ("range", "status", "heartbeat", "read_limits"):
            return found

        async def ordered(*arguments: Any) -> Any:
            what = f"{name} {arguments[0]}" if name == "pressure" else name
            self.orders.append((self._now(), what))
            return await found(*arguments)

        return ordered


def carry_out(plan: Plan, night: Night) -> Ended:
    """Carry a night out in virtual time."""
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        return runner.run(_carried_out(plan, night))


def _conductor(plan: Plan, night: Night, rig: Rig, record: _Remembered, clock: Clock) -> Conductor:
    return Conductor(
        plan,
        rig,
        record,
        desk=Desk([(frame, Request(verb, who="P. Tester")) for frame, verb in night.script]),
        live=night.live or night.paced,
        one_tick=night.paced or night.ticks,
        clock=clock,
    )


async def _carried_out(plan: Plan, night: Night) -> Ended:
    clock = night.clock()
    seated = {"gap": SEATED} if isinstance(plan.stages[0], Cyclic) else {}
    setup = replace(simulation_setup(plan), faults=night.faults, **{**seated, **night.setup})
    inner = simulated_rig(setup, 1, clock, paced=night.paced)
    rig = replace(inner, **{name: make(getattr(inner, name)) for name, make in night.bad.items()})
    heard = _Overheard(rig.actuator, lambda: conductor.stream.now)
    record = _Remembered(bug=night.bug)
    conductor = _conductor(plan, night, replace(rig, actuator=heard), record, clock)
    try:
        verdict = await conductor.run()
        code, outcome, why = EXIT_CODES[verdict.outcome], verdict.outcome, verdict.why
    except ZeroDivisionError as bug:
        code, outcome, why = 1, "", str(bug)
    finally:
        await inner.acquisition.close()
    stopped = [time for time, _, text in record.events if text.startswith("stopping,")]
    return Ended(
        code,
        outcome,
        why,
        conductor.book.path,
        record.events,
        record.numbers,
        record.flags,
        heard.orders,
        _left(inner),
        round(stopped[0] * plan.rig.rate) if stopped else None,
        max((frame for frame, _ in night.script), default=0),
    )


def _left(rig: Rig) -> set[str]:
    """Return what is not off at the end."""
    state = rig.acquisition.snapshot()["state"]
    on = {
        "pressure": state["pressure"] != "off",
        "valve": state["valve_open"],
        "pump": state["pump"]["on"],
    }
    return {name for name, is_on in on.items() if is_on}
