"""Broken files, fourth part: values that lie just on the edge of what makes sense."""

from __future__ import annotations

from tests.protocol.broken import APPROACH, LIMITS_LOAD, STATIC, Broken
from tests.protocol.texts import PRISM, RIG

STATIC_BY_LOAD = """kind = "static"
control = "load"
to = "1 kN"
speed = "0.5 kN/s"
"""
AIR = """[[channel]]
name = "temperature_air"
slow = true
resolution = "0.1 degC"
range = ["-10 degC", "60 degC"]

[pump]
"""

SHEET = [
    Broken(
        "cycles without a range",
        'lower = "7 %"',
        'lower = "70 %"',
        'lower = "70 %"',
        "loading.lower",
        "not below the upper",
    ),
    Broken(
        "few samples a cycle",
        '"1 kHz"',
        '"150 Hz"',
        'frequency = "4 Hz"',
        "loading.frequency",
        'give at most "3 Hz", so that there are 50',
        file=RIG,
    ),
    Broken(
        "run-out with the baseline",
        '"11e6 cycles"',
        '"3000 cycles"',
        '"3000 cycles"',
        "stage[3].run_out",
        "before the baseline is known",
    ),
    Broken(
        "baseline of a moment",
        '"2000 cycles"',
        '"3000 cycles"',
        'from = "3000',
        "baseline.from",
        "swap",
    ),
    Broken(
        "upper load on the limit",
        '"70 %"',
        '"97 kN"',
        LIMITS_LOAD,
        "limits.load[2]",
        "what the test works with",
    ),
    Broken(
        "warns with the stop",
        'warn = "20 %"',
        'warn = "40 %"',
        "stiffness_loss",
        "failure.stiffness_loss.warn",
        "below stop",
    ),
    Broken(
        "broken in load control",
        'control = "deflection"\nuntil = "ultimate"\nspeed = "0.5 mm/min"',
        'control = "load"\nuntil = "ultimate"\nspeed = "0.5 kN/s"',
        'control = "load"',
        "stage[2].control",
        "all the energy of the rig",
        file=STATIC,
        protocol=STATIC,
    ),
    Broken(
        "slow cycles by load first",
        APPROACH,
        STATIC_BY_LOAD,
        "[[stage]]",
        "stage[1]",
        "before there is contact",
    ),
    Broken(
        "guard not at once",
        "guard = 0",
        "guard = 1",
        "guard = 1",
        "stops.guard",
        "give 0",
        file=RIG,
    ),
    Broken(
        "tendon in the bottom face",
        '"130 mm"',
        '"200 mm"',
        'depth = "200 mm"',
        "tendon[1].depth",
        "outside the section",
        file=PRISM,
    ),
    Broken(
        "a step in degrees",
        "[pump]\n",
        AIR,
        'resolution = "0.1 degC"',
        "channel[4].resolution",
        "is a temperature",
        file=RIG,
    ),
]
