"""What a look at a rig found: all well, and a rig of which much is missing."""

from __future__ import annotations

import math
from dataclasses import replace

from drivers.gauge import Seen
from drivers.survey import Survey
from rig.channels import Channel
from rig.commands.rig_alone import load_rig_alone
from rig.ports import ActuatorStatus, InputState, LineReport, PumpStatus
from rig.protocol.load import load_rig
from simulators.wire.emulation import framings
from simulators.wire.rig_text import rig_text

PLAN = replace(
    load_rig_alone(None).rig,
    channels=(
        Channel("load", "N", 5.0, -25e3, 260e3),
        Channel("midspan", "m", 5e-7, -5e-3, 50e-3),
        Channel("temperature_water", "K", 0.1, 273.15, 333.15, slow=True),
        Channel("flow", "m3/s", 1e-7, 0.0, 1e-4, slow=True),
    ),
)
GOOD = Survey(
    lines=(
        LineReport(
            "servo", "/dev/ttyS7", "controller", "a controller", 31, round_trip=(0.004, 0.0123)
        ),
        LineReport("bus", "/dev/ttyS8", "Modbus RTU", "water station", 12, 0, 1, skew=0.9),
    ),
    values={
        "load": Seen(97_130.0, 96_000.0, 98_000.0),
        "midspan": Seen(0.0023),
        "temperature_water": Seen(293.15),
        "flow": Seen(2.5e-5),
    },
    status=ActuatorStatus("off", False, 1234, "", "watchdog", "off", 0.012),
    limits={"load": (-2e3, 97e3), "stroke": (-math.inf, math.inf)},
    inputs=InputState(guard_open=True, oil_temperature=311.15),
    pump=PumpStatus(False, 0.0, 0.85),
    emulated=True,
    told=('port "servo" (/dev/ttyS7): answers: 1 did not come, 0 did not fit',),
)
SILENT = replace(
    GOOD,
    lines=(
        replace(
            GOOD.lines[0],
            who="",
            good=0,
            trouble="nothing answers",
            remedy="is it switched on, are receive and transmit crossed?",
        ),
        GOOD.lines[1],
    ),
    values={**GOOD.values, "load": Seen(math.nan), "midspan": Seen(0.3)},
    status=None,
)


def wired_plan():
    """Return the rig of an emulation's rig file, whose ports nobody has made."""
    rig = load_rig_alone(None).rig
    set_as = framings(rig.rate, len(rig.sampled))
    paths = {name: f"/dev/none/{name}" for name in set_as}
    return load_rig("rig.toml", lambda _path: rig_text(rig, paths, set_as))
