"""A reference section as a specimen file, in SI and in US units, and what `predict` tells of it."""

from __future__ import annotations

import json
import re

from tests.commands.cut_off import said_by

SI = """\
name = "R1"

[geometry]
shape = "rectangle"
width = "200 mm"
height = "300 mm"
span = "3000 mm"
load_spacing = "1000 mm"

[concrete]
strength = "50 MPa"
modulus = "35 GPa"
tensile_strength = "4 MPa"
density = "2400 kg/m3"
law = "parabola-rectangle"
peak_strain = 0.002
ultimate_strain = 0.0035

[[tendon]]
area = "300 mm2"
depth = "250 mm"
modulus = "195 GPa"
bond = "pre-tensioned"
stress = "1100 MPa"
stress_at = "zero concrete strain"
law = { kind = "bilinear", yield = "1640 MPa", ultimate = "1860 MPa", ultimate_strain = 0.035 }

[[tendon]]
area = "100 mm2"
depth = "50 mm"
modulus = "195 GPa"
bond = "pre-tensioned"
stress = "1100 MPa"
stress_at = "zero concrete strain"
law = { kind = "bilinear", yield = "1640 MPa", ultimate = "1860 MPa", ultimate_strain = 0.035 }
"""
"""The check section R1 of two further programs; all data is invented."""

IN_US = {"mm2": ("in2", 645.16), "mm": ("in", 25.4), "MPa": ("ksi", 6.894757293168361)}
IN_US["GPa"] = ("ksi", 6.894757293168361e-3)
IN_US["kg/m3"] = ("lb/ft3", 16.01846337396014)
"""Units and factors of checks_mechanics, section 9: exact by definition."""


def us(text: str) -> str:
    """Return a file's text with every quantity in US units."""

    def turned(found: re.Match[str]) -> str:
        unit, factor = IN_US[found[2]]
        return f'"{float(found[1]) / factor!r} {unit}"'

    return re.sub(r'"([\d.]+) (mm2|mm|MPa|GPa|kg/m3)"', turned, text)


def told(*words: str) -> dict:
    few = () if "--points" in words else ("--points", "2")
    said = said_by("predict", *words, *few, "--json")
    assert said.code == 0, said.err
    return json.loads(said.out)


# Scripts.
