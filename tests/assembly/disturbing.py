"""Short rehearsals to which something happens: plans, events files, one event of each kind."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np

from rig.assembly.events_file import Events, load_events
from rig.assembly.result import Result
from rig.commands.files import load
from rig.protocol.plan import Plan
from tests.assembly.nights import ROOT

PROTOCOL = """
title = "Prism P-78, a short test"
specimen = "{root}/protocols/specimens/prism-small.toml"
specimen_id = "P-78"
exposure = "spray"
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
settle = "1 s"
[[stage]]
name = "fatigue"
kind = "cyclic"
build_up = "20 cycles"
run_out = "{run_out} cycles"
[spray]
begin = "100 cycles"
on = "5 s"
every = "10 s"
flow = "1.5 L/min"
tolerance = "15 %"
if_unconfirmed = {{ retries = 0, every = "1 s", then = "pause" }}
[baseline]
from = "50 cycles"
to = "100 cycles"
[failure]
stiffness_loss = {{ warn = "20 %", stop = "40 %", confirm = "20 cycles" }}
load_short = {{ stop = "20 %", confirm = "5 cycles" }}
[limits]
load = ["-20 kN", "101 kN"]
deflection = ["-5 mm", "8 mm"]
[limits.cyclic]
load = ["50 % of lower", "105 % of upper"]
deflection = "200 % of settled maximum"
stroke = "1.5 mm beyond settled"
[full_rate]
before_stop = "1 s"
after_stop = "0.5 s"
"""
QUICK = {
    'gap = "2 mm"': 'gap = "0.3 mm"',
    'before = "5 s"': 'before = "1 s"',
    'servo_bandwidth = "20 Hz"': 'servo_bandwidth = "60 Hz"',
}

KINDS = {
    "daily-temperature": 'swing = "4 K"\nperiod = "1 min"\nlag = "1 s"\nbowing = "3 um"',
    "chill": 'by = "0.02 mm"',
    "creep": 'by = "0.02 mm"\nover = "10 s"',
    "pad-creep": 'by = "0.02 mm"\nover = "10 s"',
    "settlement": 'side = "left"\nby = "0.05 mm"\nover = "10 s"',
    "roller-walking": 'by = "10 mm"\nover = "10 s"',
    "leaning": 'by = "0.02 mm"',
    "guide-friction": 'share = "5 %"\nover = "5 s"\nfor = "15 s"',
    "crack": 'softer = "3 %"',
    "wires": "wires = 1",
    "brittle-end": "",
    "slow-end": 'over = "150 cycles"\nloss = "60 %"',
    "drift": 'channel = "midspan"\nby = "0.1 mm"\nover = "10 s"',
    "moved": 'channel = "support_left"\nby = "0.1 mm"',
    "slipping": 'channel = "midspan"\nby = "2 um"\nevery = "10 cycles"',
    "flat": 'channel = "midspan"\nfor = "2 s"',
    "saturated": 'channel = "midspan"\nend = "low"\nfor = "2 s"',
    "noisy": 'channel = "midspan"\ndeviation = "20 um"\nfor = "10 s"',
    "spiking": 'channel = "load"\nby = "30 kN"\nevery = "5 s"',
    "wet-connector": 'channel = "midspan"\ndeviation = "9 um"\nby = "0.03 mm"\nevery = "2 s"',
    "end-of-range": 'channel = "midspan"\nmost = "0.5 mm"',
    "hum": 'channel = "load"\namplitude = "0.3 kN"\nfrequency = "60 Hz"\nfor = "10 s"',
    "gaps": 'channel = "midspan"\nevery = "1 s"',
    "oil-droop": 'to = "90 %"\nover = "5 s"\nfor = "10 s"',
    "servo-gain": 'to = "70 %"\nover = "5 s"',
    "clogged-nozzle": 'to = "50 %"\nover = "5 s"',
    "neighbour": 'to = "95 %"\nevery = "5 s"\nlasts = "1 s"',
    "air-in-line": 'scatter = "1 %"\nfor = "10 s"',
    "controller-restart": "",
    "empty-tank": "",
    "no-flow": 'for = "12 s"',
    "leak": "",
}
"""One event of each kind: its keys beside kind and time."""


def planned(folder: Path, run_out: int = 300) -> Plan:
    """Return the plan of a test of a minute, sprayed, on the shipped rig with a smaller gap."""
    rig = (ROOT / "protocols/rigs/simulated.toml").read_text(encoding="utf-8")
    for old, new in QUICK.items():
        assert rig.count(old) == 1
        rig = rig.replace(old, new)
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    text = PROTOCOL.format(root=ROOT.as_posix(), run_out=run_out)
    (folder / "protocol.toml").write_text(text, encoding="utf-8")
    return load(str(folder / "protocol.toml"), str(folder / "rig.toml"))


def scripted(plan: Plan, *events: tuple[str, float], more: str = "") -> Events:
    """Return events of kinds at times [s], with the keys of KINDS, and `more` as written."""
    text = 'title = "scripted"\n'
    for kind, at in events:
        text += f'[[event]]\nkind = "{kind}"\nat = "{at:g} s"\n{KINDS[kind]}\n'
    return load_events("events.toml", lambda _path: text + more, plan)


def rows(result: Result) -> bytes:
    """Return every counted cycle of a run and its events as bytes."""
    with h5py.File(result.run) as file:
        columns = [file["cycles"][name][()].tobytes() for name in file["cycles"]]
        events = [str(x) for x in file["events"][()]]
    return b"".join(columns) + "\n".join(events).encode()


def column(result: Result, name: str) -> np.ndarray:
    """Return a column of the counted cycles."""
    with h5py.File(result.run) as file:
        return file["cycles"][name][()]
