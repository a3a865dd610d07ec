"""Keys of protocol, rig, specimen and series files as a line to paste."""

from __future__ import annotations

from typing import Final

from rig.protocol.position import Path

EXAMPLES: Final = {
    "title": 'title = "Prism P-12, sprayed"',
    "specimen": 'specimen = "specimens/prism-small.toml"',
    "specimen_id": 'specimen_id = "P-12"',
    "exposure": 'exposure = "spray"',
    "stage": '[[stage]] with name = "approach" and kind = "approach"',
    "name": 'name = "..." with a name of your choice',
    "kind": 'kind = "..."',
    # [loading]
    "upper": 'upper = "70 %"',
    "lower": 'lower = "7 %"',
    "frequency": 'frequency = "4 Hz"',
    # [[stage]]
    "stage.kind": 'kind = "approach", "static", "ramp", "hold" or "cyclic"',
    "control": 'control = "deflection" or "load"',
    "contact": 'contact = "2 kN"',
    "speed": 'speed = "0.5 mm/min"',
    "give_up_after": 'give_up_after = "10 mm"',
    "to": 'to = "upper"',
    "at": 'at = "upper"',
    "duration": 'duration = "1 min"',
    "build_up": 'build_up = "200 cycles"',
    "run_out": 'run_out = "11e6 cycles"',
    # [spray]
    "begin": 'begin = "10000 cycles"',
    "faces": 'faces = ["bottom", "left side"]',
    "flow": 'flow = "1.5 L/min"',
    "retries": "retries = 2",
    "every": 'every = "1 min"',
    "then": 'then = "pause"',
    # [inspections]
    "static_check.rate": 'rate = "0.5 kN/s"',
    "go_on_after": 'go_on_after = "20 min" or "never"',
    # [failure]
    "stiffness_loss.stop": 'stop = "40 %"',
    "load_short.stop": 'stop = "5 %"',
    "confirm": 'confirm = "100 cycles"',
    "load_short.confirm": 'confirm = "5 cycles"',
    "pause": 'pause = "5 %"',
    "within": 'within = "20 cycles"',
    "warn": 'warn = "50 %"',
    # [attendance]
    "by": 'by = ["30 min", "2 h", "20000 cycles"]',
    # Rig file.
    "driver": 'driver = "simulated"',
    "rate": 'rate = "1 kHz"',
    "actuator": "[actuator] with load, stroke, speed, frequency and limits",
    "actuator.load": 'load = ["-20 kN", "250 kN"]',
    "actuator.speed": 'speed = "100 mm/s"',
    "actuator.frequency": 'frequency = "15 Hz"',
    "stroke": 'stroke = ["-60 mm", "60 mm"]',
    "limits": 'limits = "controller" or "software only"',
    "channel": '[[channel]] with name = "load"',
    "channel.name": 'name = "load" or another name of a channel',
    "range": 'range = ["-5 mm", "50 mm"] or ["-25 kN", "260 kN"]',
    "resolution": 'resolution = "0.5 um" or "5 N", the smallest step it shows',
    "tank": 'tank = "1000 L"',
    "warning_signal.kind": 'kind = "horn" or "lamp"',
    "before": 'before = "5 s"',
    # Rig file: lines and devices. Commands are those of the emulated controller.
    "port": "[[port]] with name, path and baud",
    "path": 'path = "/dev/serial/by-id/usb-..."',
    "baud": "baud = 115200",
    "channel.from": 'from = { port = "samples", number = 1, unit = "kN" }',
    "from.port": 'port = "samples"',
    "from.number": "number = 1",
    "from.unit": 'unit = "kN" or "mm"',
    "controller": "[controller] with port, units, status, words and actions",
    "controller.port": 'port = "servo"',
    "controller.limits": 'limits = { load = "FORCe", stroke = "STRoke" }',
    "limits.load": 'load = "FORCe", its name of that limit',
    "limits.stroke": 'stroke = "STRoke", its name of that limit',
    "units": "units = { force, length, speed, force rate, frequency and time, a unit each }",
    "units.force": 'force = "kN"',
    "units.length": 'length = "mm"',
    "units.speed": 'speed = "mm/s"',
    "units.force rate": '"force rate" = "kN/s"',
    "units.frequency": 'frequency = "Hz"',
    "units.time": 'time = "s"',
    "status": 'status = ["mode", "moving", "counter", "stopped_by", "pressure", "stroke"]',
    "words": '[controller.words] with OFF = "off" and its other words',
    "actions": '[controller.actions] with identify = "*IDN?" and the others',
    "actions.identify": 'identify = "*IDN?"',
    "actions.error": 'error = "SYSTem:ERRor?"',
    "actions.echo": 'echo = "*ESE {number};*ESE?"',
    "actions.status": 'status = "STATus:RIG?", as its manual has it',
    "actions.pressure off": '"pressure off" = "OUTPut:PRESsure OFF", as its manual has it',
    "actions.pressure low": '"pressure low" = "OUTPut:PRESsure LOW", as its manual has it',
    "actions.pressure high": '"pressure high" = "OUTPut:PRESsure HIGH", as its manual has it',
    "actions.stroke": 'stroke = "SOURce:STRoke:RAMP {to},{speed}", as its manual has it',
    "actions.load": 'load = "SOURce:FORCe:RAMP {to},{rate}", as its manual has it',
    "actions.cycle": (
        'cycle = ["SOURce:FREQuency {frequency}", "SOURce:FORCe:OFFSet {mean};AMPLitude '
        '{amplitude}", "SOURce:CYCLe:STARt {over}"], as its manual has it'
    ),
    "actions.adjust": (
        'adjust = "SOURce:FORCe:OFFSet {mean};AMPLitude {amplitude};:SOURce:CYCLe:CHANge", as its '
        "manual has it"
    ),
    "actions.end cycling": '"end cycling" = "SOURce:CYCLe:END {over}", as its manual has it',
    "actions.hold": 'hold = "SOURce:HOLD", as its manual has it',
    "actions.close valve": '"close valve" = "OUTPut:VALVe OFF", as its manual has it',
    "actions.write limit": (
        '"write limit" = "CALCulate:LIMit:{limit} {low},{high}", as its manual has it'
    ),
    "actions.read limit": '"read limit" = "CALCulate:LIMit:{limit}?", as its manual has it',
    "actions.count": 'count = "SOURce:CYCLe:STOP {count}", as its manual has it',
    "actions.no count": '"no count" = "SOURce:CYCLe:STOP OFF", as its manual has it',
    "actions.heartbeat": 'heartbeat = "SYSTem:BEAT", as its manual has it',
    "modbus.port": 'port = "bus"',
    "address": "address = 1",
    "modbus.points": 'points = [{ what = "flow", table = "input", at = 0, kind = "float32", '
    'unit = "L/min" }]',
    "what": 'what = "flow", another channel, or an input such as "leak"',
    "table": 'table = "input", "holding", "discrete" or "coil"',
    "points.at": "at = 0",
    "points.kind": 'kind = "float32", or int16, uint16, int32 or uint32',
    "points.unit": 'unit = "L/min" or "degC"',
    "watchdog.at": "at = 0",
    "value": "value = 500",
    "instrument.port": 'port = "thermometer"',
    "ask": 'ask = "MEASure:TEMPerature?"',
    "answers": 'answers = [{ channel = "temperature_air", place = 1, unit = "degC" }]',
    "answers.channel": 'channel = "temperature_air"',
    "place": "place = 1",
    "answers.unit": 'unit = "degC" or "mm"',
    # Specimen file.
    "geometry": "[geometry] with shape, width, height, span and load_spacing",
    "concrete": "[concrete] with strength, modulus, tensile_strength and density",
    "shape": 'shape = "rectangle"',
    "width": 'width = "100 mm"',
    "height": 'height = "200 mm"',
    "span": 'span = "900 mm"',
    "load_spacing": 'load_spacing = "300 mm"',
    "strength": 'strength = "60 MPa"',
    "modulus": 'modulus = "195 GPa"',
    "concrete.modulus": 'modulus = "37 GPa"',
    "tensile_strength": 'tensile_strength = "4 MPa"',
    "density": 'density = "2400 kg/m3"',
    "area": 'area = "93 mm2"',
    "depth": 'depth = "130 mm"',
    "bond": 'bond = "pre-tensioned"',
    "stress": 'stress = "1100 MPa"',
    "stress_at": 'stress_at = "zero concrete strain"',
    "law": 'law = { kind = "power", preset = "strand-270" }',
    "law.kind": 'kind = "power" or "bilinear"',
    "yield": 'yield = "500 MPa"',
    "ultimate": 'ultimate = "1860 MPa"',
    "ultimate_strain": "ultimate_strain = 0.035",
    "points": 'points = [[0.0, "0 MPa"], [0.002, "60 MPa"]]',
    "constants": 'constants = ["6 GPa", "190 GPa", 112.4, 7.36]',
    "outline": 'outline = [["0 mm", "600 mm"], ["160 mm", "400 mm"]]',
    # Series file.
    "groups": '[groups.dry] with exposure = "dry"',
    "group": 'group = "dry"',
    "life.specimen": 'specimen = "P-12"',
    "ultimate.specimen": 'specimen = "U-01"',
}
"""By key, or by table and key where a key means different things."""


def example_of(path: Path) -> str:
    """Return a line to paste for the key at the end of a path."""
    names = [part for part in path if isinstance(part, str)]
    return EXAMPLES.get(".".join(names[-2:])) or EXAMPLES.get(names[-1]) or f'{names[-1]} = "..."'
