"""The test that judgement is measured on: a sprayed prism on the full rig, at its full rate.

The rig is the shipped full one with a measured stroke, as the README asks of whoever wants channels
to be told apart. All data is invented.
"""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Final

from rig.commands.files import load
from rig.protocol.plan import Plan

SHIPPED: Final = Path(str(resources.files("protocols")))
FREQUENCY: Final = 4.0  # Hz
NIGHT: Final = 172_800
"""Cycles of 12 h."""
COUNTS: Final = 215.0
"""About the test time [s] at which cycles begin to count."""
BASELINE: Final = (2000, 3000)
CONFIRM: Final = 50
"""Cycles that confirm the loss of stiffness that is a failure."""
STOP: Final = 0.40
"""Loss of stiffness that is a failure."""

PROTOCOL: Final = """
title = "Prism P-79, a night"
specimen = "{shipped}/specimens/prism-small.toml"
specimen_id = "P-79"
exposure = "{exposure}"

[loading]
control = "load"
capacity = "132 kN"
upper = "70 %"
lower = "7 %"
frequency = "{frequency:g} Hz"
waveform = "sine"

[[stage]]
name = "approach"
kind = "approach"
contact = "2 kN"
speed = "0.5 mm/s"
give_up_after = "10 mm"

[[stage]]
name = "pre-crack"
kind = "static"
control = "deflection"
to = "upper"
speed = "2 mm/min"
speed_after_crack = "5 mm/min"
hold = "5 s"
repeats = 1

[[stage]]
name = "fatigue"
kind = "cyclic"
build_up = "200 cycles"
run_out = "{run_out} cycles"
{spray}
[inspections]
at = ["1000 cycles", "1e4 cycles", "1e5 cycles"]
static_check = {{ to = "upper", rate = "20 kN/s", repeats = 1, hold = "2 s" }}
map_cracks = "ask"
go_on_after = "1 min"

[baseline]
from = "2000 cycles"
to = "3000 cycles"

[failure]
stiffness_loss = {{ warn = "20 %", stop = "40 %", confirm = "{confirm} cycles" }}
stiffness_step = {{ pause = "5 %", within = "20 cycles" }}
residual_growth = {{ warn = "50 %" }}
load_short = {{ stop = "5 %", confirm = "5 cycles" }}

[limits]
load = ["-2 kN", "97 kN"]
deflection = ["-0.5 mm", "8 mm"]

[limits.cyclic]
load = ["50 % of lower", "105 % of upper"]
deflection = "200 % of settled maximum"
stroke = "1.5 mm beyond settled"

[full_rate]
first = "10 cycles"
per_decade = 2
cycles = 2
before_stop = "10 s"
after_stop = "2 s"
"""
SPRAY: Final = """
[spray]
begin = "4000 cycles"
on = "2 min"
every = "15 min"
flow = "1.5 L/min"
tolerance = "15 %"
if_unconfirmed = { retries = 2, every = "1 min", then = "pause" }
on_pause = "keep"
on_stop = "off"
"""
STROKE: Final = """[[channel]]
name = "stroke"
resolution = "1 um"
noise = "2 um"
range = ["-60 mm", "60 mm"]

[pump]"""


def plan_of(
    folder: Path,
    *,
    run_out: int,
    life_scale: float,
    ending: str = "gradual",
    sprayed: bool = True,
) -> Plan:
    """Write protocol and rig into a folder and return their plan.

    `life_scale` scales the specimen's own life, `ending` is how it breaks.
    """
    text = PROTOCOL.format(
        shipped=SHIPPED.as_posix(),
        frequency=FREQUENCY,
        run_out=run_out,
        confirm=CONFIRM,
        exposure="spray" if sprayed else "dry",
        spray=SPRAY if sprayed else "",
    )
    rig = (SHIPPED / "rigs" / "simulated-full.toml").read_text(encoding="utf-8")
    changes = {
        "[pump]": STROKE,
        "[simulation]": f"[simulation]\nlife_scale = {life_scale!r}",
        'ending = "gradual"': f'ending = "{ending}"',
        # Its life is what is asked for: scatter is in what is drawn.
        "scatter = 0.12": "scatter = 0",
    }
    for old, new in changes.items():
        if rig.count(old) != 1:
            raise ValueError(f"the shipped rig has {rig.count(old)} lines {old!r}, not one")
        rig = rig.replace(old, new)
    (folder / "protocol.toml").write_text(text, encoding="utf-8")
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    return load(str(folder / "protocol.toml"), str(folder / "rig.toml"))
