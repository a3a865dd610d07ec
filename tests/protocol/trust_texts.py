"""A rig file on serial lines with all that says why its figures can be trusted. All invented."""

from __future__ import annotations

import re

from rig.protocol.load import load_plan
from rig.protocol.plan import Plan
from tests.protocol.texts import BY_SERIES, WET, shipped
from tests.protocol.wire_texts import FRAME, WIRED

LOAD = 'from = { port = "samples", number = 1, unit = "kN" }\n'
AIR = 'range = ["-20 degC", "60 degC"]\nslow = true\n'
POINTS = """points = [
  ["0 kN", "0.1 kN"],
  ["125 kN", "125.4 kN"],
  ["250 kN", "250.9 kN"],
]
"""
OF_LOAD = f"""
[channel.calibration]
date = "2026-03-14"
until = "2027-03-14"
certificate = "C-0417"
serial = "LC-2093"
uncertainty = "0.4 kN"
used = ["5 kN", "250 kN"]
{POINTS}shunt = "83.4 kN"
shunt_tolerance = "0.8 %"
"""
OF_AIR = """
[channel.calibration]
date = 2026-01-31
until = 2028-01-31
certificate = "T-9"
uncertainty = "0.3 K"
used = ["5 degC", "35 degC"]
"""
FRAME_TABLE = """
[frame]
moving_mass = "120 kg"
cell = "fixed"
dead_load = "1.2 kN"
zeroed = "resting"
"""
SUPPLY = """
[supply]
piston_area = "50 cm2"
pressure = "210 bar"
flow = "63 L/min"
others = "20 L/min"
valve_flow = "60 L/min"
valve_drop = "35 bar"
"""
VERIFIED = """
[dynamic_verification]
date = "2026-03-20"
by = "A. Name"
frequency = "5 Hz"
difference = "0.4 %"
"""
ROWS = """rows = [
  { cause = "emergency stop", time = "12 ms", travel = "0.08 mm", repeats = 20 },
  { cause = "watchdog", time = "0.52 s", travel = "0.3 mm", repeats = 3 },
]
"""
PROVEN = f"""
[proof_of_stopping]
date = "2026-03-21"
by = "B. Name"
renew_after = "90 d"
{ROWS}"""
STROKE = """
[[channel]]
name = "stroke"
resolution = "1 um"
range = ["-60 mm", "60 mm"]
from = { port = "samples", number = 3, unit = "mm" }
"""
MAKE_UP = 'make_up = "0.5 L/min"\n'


def _put(text: str, behind: str, piece: str) -> str:
    assert text.count(behind) == 1, behind
    return text.replace(behind, behind + piece)


TRUSTED = _put(_put(WIRED, LOAD, OF_LOAD + STROKE), AIR, OF_AIR)
TRUSTED = _put(TRUSTED, 'flow = "1.5 L/min"\ntank = "1000 L"\n', MAKE_UP)
TRUSTED += FRAME_TABLE + SUPPLY + VERIFIED + PROVEN


def changed(*changes: tuple[str, str], text: str = TRUSTED) -> str:
    """Return the rig file with some words in it exchanged, where they stand first."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def all_calibrated(*but: str, text: str = TRUSTED) -> str:
    """Return the rig file with a calibration of every channel that has none, but of some."""
    pieces = re.split(r"(?m)^(?=\[\[channel\]\])", text)
    for index, piece in enumerate(pieces[1:], 1):
        named = re.search(r'name = "(\w+)"', piece)
        span = re.search(r"range = (\[.*\])", piece)
        assert named
        assert span
        own, head, rest = piece.partition("\n[") if "\n[" in piece else (piece, "", "")
        if named[1] in but or rest.startswith("channel.calibration]"):
            continue
        pieces[index] = f"{own}\n{_usual(named[1], span[1])}{head}{rest}"
    return "".join(pieces)


def _usual(name: str, span: str) -> str:
    steps = {"flow": "0.02 L/min", "tank": "2 L"}
    step = steps.get(name, "0.3 K" if name.startswith("temperature") else "5 um")
    return f"""
[channel.calibration]
date = "2026-02-01"
until = "2027-02-01"
certificate = "X-1"
uncertainty = "{step}"
used = {span}
"""


def plan_on(rig: str, protocol: str = BY_SERIES) -> Plan:
    """Return the plan of a protocol on a rig, both as texts."""

    def read(path: str) -> str:
        if path == FRAME:
            return rig
        return protocol if path == WET else shipped(path)

    return load_plan(WET, FRAME, read)
