"""Short recorded tests of every kind of end: rehearsed, stopped and resumed, cut off, live."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from rig.assembly.as_it_stands import finish_record
from rig.assembly.looking_back import look_back
from rig.assembly.rehearsal import go_on_rehearsing, rehearse
from rig.commands.files import load
from rig.control.desk import Request
from rig.ports import InputState
from rig.protocol.plan import Plan
from simulators.faults import (
    Drifting,
    Fault,
    Flat,
    Foreign,
    InLoop,
    InputChange,
    Missing,
    Moved,
    NoFlow,
    Scaled,
    Spike,
    Weak,
)
from tests.assembly.live import carry_out as carry_out_live
from tests.assembly.nights import QUICKER, ROOT
from tests.commands.cut_off import kill_after

PROTOCOL = """
title = "Prism P-78, a short test"
specimen = "{specimen}"
specimen_id = "P-78"
exposure = "{exposure}"
[loading]
control = "load"
capacity = "132 kN"
upper = "70 %"
lower = "7 %"
frequency = "10 Hz"
[[stage]]
name = "approach"
kind = "approach"
contact = "2 kN"
speed = "0.5 mm/s"
give_up_after = "10 mm"
settle = "0.1 s"
[[stage]]
name = "fatigue"
kind = "cyclic"
build_up = "10 cycles"
run_out = "{run_out} cycles"
{spray}
[baseline]
from = "20 cycles"
to = "60 cycles"
[failure]
{alerts}
stiffness_loss = {{ warn = "10 %", stop = "{stop}", confirm = "5 cycles" }}
stiffness_step = {{ pause = "5 %", within = "20 cycles" }}
residual_growth = {{ warn = "50 %" }}
load_short = {{ stop = "8 %", confirm = "5 cycles" }}
[limits]
load = ["-6 kN", "100 kN"]
deflection = ["-0.5 mm", "9 mm"]
{learned}
[full_rate]
first = "30 cycles"
per_decade = 3
before_stop = "{before}"
after_stop = "1 s"
"""
LEARNED = """[limits.cyclic]
load = ["50 % of lower", "105 % of upper"]
deflection = "200 % of settled maximum"
"""
SPRAY = """[spray]
begin = "80 cycles"
on = "10 s"
every = "14 s"
flow = "1.5 L/min"
if_unconfirmed = { retries = 0, every = "1 s", then = "stop" }
"""
WITNESSES = """[[channel]]
name = "support_right"
resolution = "0.5 um"
noise = "1 um"
range = ["-5 mm", "5 mm"]
[[channel]]
name = "stroke"
resolution = "1 um"
noise = "2 um"
range = ["-60 mm", "60 mm"]
[[channel]]
name = "temperature_air"
resolution = "0.1 K"
noise = "0.05 K"
range = ["-20 degC", "60 degC"]
slow = true

"""
COUNTS = 35_000
"""Frame by which all of them count cycles and know their baseline."""
EVER = 10**9
PACE = 4.0
"""Test time in one real second of a live one."""


@dataclass(frozen=True)
class Case:
    """How a recording is made. `life` scales the specimen's life; `then` happens to it after."""

    seed: int = 1
    run_out: int = 400
    life: float = 1.0
    stop: str = "30 %"
    before: str = "5 s"
    exposure: str = "dry"
    spray: str = ""
    learned: str = LEARNED
    ending: str = "gradual"
    rig_limit: str = ""
    base: str = ""
    alerts: str = ""
    channels: str = ""
    faults: tuple[Fault, ...] = ()
    script: tuple[tuple[float, Request], ...] = ()
    carried_out: Callable[[Plan, Path, Case], None] | None = None
    then: Callable[[Path], None] | None = None


def texts(case: Case) -> tuple[str, str]:
    """Return protocol and rig file of a case."""
    specimen = ROOT / "protocols" / "specimens" / "prism-small.toml"
    rig = (ROOT / "protocols" / "rigs" / "simulated.toml").read_text(encoding="utf-8")
    for slow, quick in QUICKER.items():
        rig = rig.replace(slow, quick)
    rig = rig.replace('ending = "gradual"', f'ending = "{case.ending}"')
    rig = rig.replace("[simulation]", f"[simulation]\nlife_scale = {case.life}")
    rig = rig.replace("[limits]", f"[limits]\n{case.rig_limit}")
    rig = rig.replace("[pump]", f"{case.channels}[pump]")
    protocol = case.base or PROTOCOL
    if case.base:
        return re.sub('"(specimens|series)/', rf'"{ROOT / "protocols"}/\1/', protocol), rig
    values = {
        name: getattr(case, name)
        for name in ("run_out", "stop", "before", "exposure", "spray", "learned", "alerts")
    }
    return protocol.format(specimen=specimen, **values), rig


def plan_of(folder: Path, case: Case) -> Plan:
    """Write the files of a case into a folder and return its plan."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in zip(("p.toml", "rig.toml"), texts(case), strict=True):
        (folder / name).write_text(text, encoding="utf-8")
    return load(str(folder / "p.toml"), str(folder / "rig.toml"))


def made(folder: Path, case: Case) -> Path:
    """Return the folder of the recording of a case."""
    out = folder / "run"
    plan = plan_of(folder, case)
    (case.carried_out or rehearsed)(plan, out, case)
    if case.then is not None:
        case.then(out)
    return out


_KEPT: dict[str, Path] = {}


def kept(name: str, folders: pytest.TempPathFactory) -> Path:
    """Return the folder of a case's recording, made once in each process: to be read, not changed.

    Tests that read one belong to the xdist group "recordings".
    """
    if name not in _KEPT:
        _KEPT[name] = made(folders.mktemp("made"), CASES[name])
    return _KEPT[name]


def rehearsed(plan: Plan, out: Path, case: Case) -> None:
    """Carry a case out in virtual time."""
    rehearse(plan, out, case.seed, faults=case.faults, script=case.script)


def killed(plan: Plan, out: Path, case: Case) -> None:
    """Carry a case out in a process of its own that is killed once 150 cycles are recorded."""
    folder = out.parent
    words = ["rehearse", "p.toml", "--rig", "rig.toml", "--out", str(out), "--seed", str(case.seed)]
    kill_after(150, *words, cwd=folder)


def live(plan: Plan, out: Path, case: Case) -> None:
    """Carry a case out in real time, four times as fast."""

    async def beside(_live: object) -> None:
        return None

    asyncio.run(
        carry_out_live(
            plan, out, beside, faults=case.faults, seed=case.seed, finish=True, pace=PACE
        )
    )


def gone_on(out: Path) -> None:
    """Go on with a recording that was cut off, stopped, or mended."""
    found = look_back(out)
    found.refuse_unreadable()
    if found.verdict is not None:  # killed in the middle of its stop: only its record goes on
        finish_record(found, found.verdict)
    else:
        go_on_rehearsing(found, "gone on with by a test")


STOPPED = ((38.0, Request("stop", who="P. Tester")),)
PRESSED = (InputChange(38_000, InputState(emergency_stop=True)),)
UNTIL = InputChange(38_200, InputState())

CASES: dict[str, Case] = {
    **{f"run-out {s}": Case(s, run_out=120 + 20 * s) for s in range(1, 5)},
    "run-out before its baseline": Case(5, run_out=100, base=""),
    "run-out, nothing learned": Case(6, run_out=150, learned=""),
    "run-out, wet": Case(2, run_out=260, exposure="spray", spray=SPRAY, life=1000.0),
    **{f"loss {s}": Case(s, life=1e-5, run_out=2000) for s in range(1, 9)},
    **{f"small loss {s}": Case(s, life=8e-6, stop="15 %", run_out=2000) for s in range(1, 4)},
    **{f"deflection limit {s}": Case(s, life=5e-6, stop="90 %", run_out=2000) for s in range(1, 4)},
    **{f"before the baseline {s}": Case(s, life=2e-6, run_out=2000) for s in range(1, 3)},
    **{
        f"brittle {s}": Case(s, life=1e-5, ending="brittle", stop="90 %", run_out=2000)
        for s in range(1, 4)
    },
    "wet failure": Case(3, life=2e-4, exposure="spray", spray=SPRAY, run_out=2000),
    "short record of the stop": Case(2, life=5e-6, stop="90 %", before="1 s", run_out=2000),
    "load flat": Case(faults=(Flat("load", COUNTS, EVER),)),
    "load flat, with little kept": Case(3, before="1 s", faults=(Flat("load", COUNTS, EVER),)),
    "load saturated": Case(faults=(Flat("load", COUNTS + 60, EVER, 260e3),)),
    "load of another frame": Case(faults=(Foreign("load", COUNTS + 60, EVER, 30e3, 20e3, 2.0),)),
    "load changes its sign in the loop": Case(faults=(InLoop(Scaled("load", COUNTS + 60, EVER)),)),
    "load missing": Case(faults=(Missing("load", COUNTS, EVER),)),
    "load missing for 4 samples": Case(faults=(Missing("load", COUNTS, COUNTS + 4),)),
    "load missing for 2 samples": Case(run_out=150, faults=(Missing("load", COUNTS, COUNTS + 2),)),
    "load does not cycle": Case(faults=(Weak(COUNTS, EVER, 0.001),)),
    "load short": Case(faults=(Weak(COUNTS, EVER, 0.8),)),
    "load short, nothing learned": Case(4, learned="", faults=(Weak(COUNTS, EVER, 0.8),)),
    "mid-span flat": Case(faults=(Flat("midspan", COUNTS, EVER),)),
    "mid-span missing": Case(faults=(Missing("midspan", COUNTS, EVER),)),
    "mid-span jumps": Case(faults=(Moved("midspan", COUNTS, 8e-3),)),
    "mid-span moved a little": Case(run_out=200, faults=(Moved("midspan", COUNTS, 2e-4),)),
    "mid-span scaled": Case(
        channels=WITNESSES, faults=(Scaled("midspan", COUNTS + 9_000, EVER, 1.6),)
    ),
    "support moved": Case(
        channels=WITNESSES, run_out=500, faults=(Moved("support_left", COUNTS + 9_000, 1e-4),)
    ),
    "support scaled": Case(
        channels=WITNESSES, run_out=500, faults=(Scaled("support_left", COUNTS + 9_000, EVER, -14),)
    ),
    "load scaled in the loop": Case(
        channels=WITNESSES, faults=(InLoop(Scaled("load", COUNTS + 9_000, EVER, 0.88)),)
    ),
    "mid-span drifts": Case(
        channels=WITNESSES,
        run_out=900,
        faults=(Drifting("midspan", COUNTS + 9_000, EVER, 2e-5),),
    ),
    "confirmed by the stroke": Case(2, channels=WITNESSES, life=1e-5, run_out=2000),
    "many spikes": Case(
        run_out=200, faults=tuple(Spike("load", COUNTS + 300 * n, 2e4) for n in range(8))
    ),
    "ultimate": Case(1, base=(ROOT / "protocols" / "static-ultimate.toml").read_text()),
    "ultimate 2": Case(2, base=(ROOT / "protocols" / "static-ultimate.toml").read_text()),
    "stopped by somebody": Case(script=STOPPED),
    "emergency stop": Case(faults=PRESSED),
    "no water": Case(exposure="spray", spray=SPRAY, run_out=900, faults=(NoFlow(0, EVER),)),
    "stopped and resumed": Case(run_out=300, script=STOPPED, then=gone_on),
    "witnesses, stopped and resumed": Case(
        channels=WITNESSES, run_out=400, script=STOPPED, then=gone_on
    ),
    "stopped, resumed, failed": Case(life=1e-5, run_out=2000, script=STOPPED, then=gone_on),
    "mended": Case(run_out=300, faults=PRESSED, then=gone_on),
    "limit mended": Case(
        run_out=300, faults=(Missing("midspan", COUNTS, COUNTS + 9),), then=gone_on
    ),
    "load short and mended": Case(
        run_out=300, learned="", faults=(Weak(COUNTS, EVER, 0.8),), then=gone_on
    ),
    "cut off": Case(run_out=9000, carried_out=killed, then=gone_on),
    "cut off and failed": Case(2, life=6e-5, run_out=9000, carried_out=killed, then=gone_on),
    "live": Case(run_out=90, carried_out=live),
    "live, load missing": Case(
        2, run_out=400, carried_out=live, faults=(Missing("load", COUNTS, EVER),)
    ),
    "live, failed": Case(1, life=2e-6, run_out=2000, carried_out=live),
}
"""Recordings, and what made each of them."""
NO_SAMPLE_TELLS = frozenset({"stopped by somebody", "emergency stop", "no water"})
"""Those that end by what no sample tells."""
