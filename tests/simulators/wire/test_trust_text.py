"""What makes a rig trusted is in the file of its emulation as it was written."""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.protocol.load import load_rig
from simulators.wire.emulation import PORTS, framings
from simulators.wire.rig_text import rig_text, shunts

RIG = Path(__file__).parents[3] / "protocols" / "rigs" / "simulated.toml"

CALIBRATION = """
[channel.calibration]
date = "2026-03-14"
until = "2027-03-14"
certificate = "C-04\\"17"
uncertainty = "0.4 kN"
used = ["0 kN", "250 kN"]
points = [["0 kN", "0 kN"], ["50 kN", "50.1 kN"], ["250 kN", "250.3 kN"]]
shunt = "83.4 kN"
shunt_tolerance = "0.7 %"
"""
REST = """
[frame]
moving_mass = "120 kg"
cell = "fixed"
dead_load = "1.2 kN"
zeroed = "resting"

[supply]
piston_area = "50 cm2"
pressure = "210 bar"
flow = "63 L/min"
others = "20 L/min"
valve_flow = "63 L/min"
valve_drop = "60 bar"

[dynamic_verification]
date = "2026-04-01"
by = "A. Name"
frequency = "5 Hz"
difference = "0.4 %"

[proof_of_stopping]
date = "2026-04-02"
by = "A. Name"
renew_after = "60 d"
rows = [
  { cause = "guard", time = "12.3 ms", travel = "0.081 mm", repeats = 20 },
  { cause = "watchdog", time = "0.512 s", travel = "0.4 mm", repeats = 3 },
]
"""
ACCELERATION = """
[[channel]]
name = "acceleration"
resolution = "0.01 m/s2"
range = ["-50 m/s2", "50 m/s2"]
"""


def rig(text: str):
    return load_rig("rig.toml", lambda _path: text)


def emulated(text: str):
    """Return a simulated rig of a text, and the rig that its emulation's file says."""
    plan = rig(text)
    paths = {name: f"/tmp/ports/{name}" for name in PORTS}
    return plan, rig(rig_text(plan, paths, framings(plan.rate, len(plan.sampled))))


def with_trust(text: str) -> str:
    load = 'range = ["-25 kN", "260 kN"]\n'
    assert text.count(load) == 1
    whole = text.replace(load, load + CALIBRATION).replace("[pump]", f"{ACCELERATION}\n[pump]")
    return whole.replace('tank = "1000 L"', 'tank = "1000 L"\nmake_up = "0.5 L/min"') + REST


@pytest.mark.parametrize("left_out", ["", "valve_", "shunt", "points", "dead_load|zeroed"])
def test_calibrations_frame_supply_and_proofs_are_copied(left_out):
    words = left_out.split("|") if left_out else []
    text = "\n".join(
        line
        for line in with_trust(RIG.read_text()).split("\n")
        if not any(line.startswith(word) for word in words)
    )
    simulated, wired = emulated(text)
    assert simulated.trust.calibrations["load"].uncertainty == 400.0
    assert wired.trust == simulated.trust
    assert wired.pump == simulated.pump
    assert wired.sampled == simulated.sampled


def test_a_rig_that_says_nothing_of_it_has_nothing_of_it():
    simulated, wired = emulated(RIG.read_text())
    assert wired.trust == simulated.trust
    assert shunts(simulated) == {}


def test_a_rig_with_shunt_resistors_has_a_relay_for_them():
    simulated, wired = emulated(with_trust(RIG.read_text()))
    assert shunts(simulated) == {"load": 83.4e3}
    (cabinet,) = [device for device in wired.wire.modbus if device.name == "cabinet"]
    (point,) = [point for point in cabinet.points if point.what == "shunt"]
    assert (point.table, point.at) == ("coil", 1)
