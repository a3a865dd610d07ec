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
