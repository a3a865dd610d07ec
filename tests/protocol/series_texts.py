"""A series file in which every key stands, so that tuning the shipped one changes no test."""

from __future__ import annotations

from rig.errors import InputError, Problem
from rig.protocol.load import load_series
from rig.protocol.series import Series

FILE = "series.toml"

EVERYTHING = """\
title = "Prisms of a quay, invented"

[groups.dry]
exposure = "dry"
batch = "A"
cast = "2025-03-04"
bed = "2"
frame = "1"
aggregate = "quartz"

[groups.spray]
exposure = "spray"
independent = true

[[life]]
specimen = "P-01"
group = "dry"
level = "70 %"
cycles = "11e6 cycles"
outcome = "run-out"

[[life]]
specimen = "P-02"
group = "spray"
level = "72.5 %"
cycles = "16250.5 cycles"
outcome = "failure"
concrete_max = "69 %"
concrete_min = "6 %"
tendon_range = "150 MPa"
mode = "bond or anchorage slip"
overloaded = true
batch = "B"
cast = "2025-03-05"
bed = "3"
frame = "2"
member = "M-4"
age = "90 d"
wet = "12 h"
interruptions = "30 h"
unloaded = "2 h"

[[life]]
specimen = "P-03"
group = "spray"
run = "runs/p-03"
valid = false
void_reason = "a sensor fell off"

[[ultimate]]
specimen = "P-11"
group = "dry"
load = "30 kip"
mode = "concrete crushing"
frame = "2"
member = "M-5"
age = "91 d"
wet = "0 h"

[[ultimate]]
specimen = "P-01"
group = "dry"
run = "runs/p-01"
residual = true

[[hypothesis]]
name = "Water shortens the life"
quantity = "life"
lower = ["spray"]
higher = ["dry"]

[[hypothesis]]
name = "Wet wires rust"
quantity = "observation"
lower = "dry"
higher = "spray"
seen = "rust"

[[observation]]
specimen = "P-01"
looked_for = ["rust", "wire slip"]
seen = ["wire slip"]

[[observation]]
specimen = "P-02"
looked_for = "rust"
seen = true

[plan]
groups = ["dry", "spray"]
sizes = [2, 4]
run_outs = ["2e6 cycles", "11e6 cycles"]
life = "200000 cycles"
scatter = 0.4
variation = "6 %"
frequency = "5 Hz"
set_up = "3 d"
"""


def series_of(text: str) -> Series:
    """Return the series of a text."""
    return load_series(FILE, lambda _: text)


def problems_in(text: str) -> tuple[Problem, ...]:
    """Return the problems of a text, none where it is read."""
    try:
        series_of(text)
    except InputError as error:
        return error.problems
    return ()


def changed(old: str, new: str) -> str:
    """Return the whole text with its first `old` exchanged."""
    assert old in EVERYTHING
    return EVERYTHING.replace(old, new, 1)


def line_of(place: str, text: str = EVERYTHING) -> int:
    """Return the line in which a place begins."""
    return text[: text.index(place)].count("\n") + 1
