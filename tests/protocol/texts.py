"""Shipped and edited file texts, read from memory."""

from __future__ import annotations

import posixpath
from collections.abc import Mapping
from importlib import resources

from rig.errors import InputError, Problem
from rig.protocol.load import load_plan
from rig.protocol.plan import Plan

ROOT = resources.files("protocols")
WET = "overnight-wet-prism.toml"
PRISM = "specimens/prism-small.toml"
SERIES = "series/wet-cracks.toml"
RIG = "rigs/simulated.toml"

WHOLE = """\
title = "Prism P-12, sprayed, 70 % of its capacity in spray"
specimen = "specimens/prism-small.toml"
specimen_id = "P-12"
exposure = "spray"

[loading]
control = "load"
capacity = "132 kN"            # or capacity_from = "series/..."
upper = "70 %"                 # of capacity, or a force
lower = "7 %"
frequency = "4 Hz"
waveform = "sine"

[[stage]]
name = "approach"
kind = "approach"              # stroke control until contact
contact = "2 kN"
speed = "0.5 mm/s"
give_up_after = "10 mm"
settle = "60 s"  # before seating

[[stage]]
name = "pre-crack"
kind = "static"
control = "deflection"
to = "upper"
speed = "0.2 mm/min"
speed_after_crack = "0.5 mm/min"
hold = "2 min"
repeats = 3

[[stage]]
name = "fatigue"
kind = "cyclic"
build_up = "200 cycles"
run_out = "11e6 cycles"

[spray]
begin = "10000 cycles"
on = "2 min"
every = "15 min"
flow = "1.5 L/min"
tolerance = "15 %"
if_unconfirmed = { retries = 2, every = "1 min", then = "pause" }
on_pause = "keep"
on_stop = "off"
faces = ["bottom", "left side"]

[inspections]
at = ["10 cycles", "100 cycles", "1000 cycles", "1e4 cycles", "1e5 cycles"]
then_every = "5e5 cycles"
static_check = { to = "upper", rate = "0.5 kN/s", repeats = 2, hold = "10 s" }
map_cracks = "ask"
go_on_after = "20 min"
zero = true

[baseline]
from = "2000 cycles"
to = "3000 cycles"

[failure]
stiffness_loss = { warn = "20 %", stop = "40 %", confirm = "100 cycles" }
stiffness_step = { pause = "5 %", within = "20 cycles" }
residual_growth = { warn = "50 %" }
load_short = { stop = "5 %", confirm = "5 cycles" }

[limits]
load = ["-2 kN", "97 kN"]
deflection = ["-0.5 mm", "4 mm"]

[limits.cyclic]
load = ["50 % of lower", "105 % of upper"]
deflection = "200 % of settled maximum"
stroke = "1.5 mm beyond settled"

[pauses]
unload_after = "30 min"  # under load until then

[attendance]
by = ["30 min", "2 h", "20000 cycles"]

[hours]
zone = "Europe/Lisbon"
quiet = ["20:00", "06:00"]
weekend = "quiet"
working = ["08:00", "17:00"]
pull_forward = "10 %"  # of the count

[full_rate]
first = "100 cycles"
per_decade = 30
cycles = 5
before_stop = "60 s"
after_stop = "10 s"
"""
"""A protocol with every table, so that tuning a shipped one changes no test."""

SMALL = """\
name = "Prism, 150 x 200 x 1050 mm, one strand"

[geometry]
shape = "rectangle"
width = "150 mm"
height = "200 mm"
span = "900 mm"
load_spacing = "300 mm"

[concrete]
strength = "60 MPa"
modulus = "37 GPa"
tensile_strength = "4.4 MPa"
density = "2400 kg/m3"
law = "rectangular block"
peak_strain = 0.002
ultimate_strain = 0.003

[[tendon]]
area = "93 mm2"                # one 12.5 mm strand
depth = "130 mm"
modulus = "195 GPa"
bond = "pre-tensioned"
stress = "1120 MPa"
stress_at = "no moment"
law = { kind = "power", preset = "strand-270" }
"""
"""A small prism, so that tuning the shipped one changes no figure that a test names.

It should crack at 73.6 kN and carry 130.8 kN.
"""

CAPACITY_FROM = 'capacity_from = "series/wet-cracks.toml: spray"'
BY_SERIES = WHOLE.replace('capacity = "132 kN"', CAPACITY_FROM)


def shipped(path: str) -> str:
    return ROOT.joinpath(*path.split("/")).read_text(encoding="utf-8")


def shipped_names(folder: str = "") -> list[str]:
    place = ROOT.joinpath(folder) if folder else ROOT
    names = (entry.name for entry in place.iterdir())
    return sorted(posixpath.join(folder, n) for n in names if n.endswith(".toml"))


def load_edited(texts: Mapping[str, str], protocol: str = WET, rig: str = RIG) -> Plan:
    """Load a shipped protocol in which some files have other texts."""

    def read(path: str) -> str:
        if path in texts:
            return texts[path]
        return {WET: BY_SERIES, PRISM: SMALL}.get(path) or shipped(path)

    return load_plan(protocol, rig, read)


def problems_of(texts: Mapping[str, str], protocol: str = WET) -> tuple[Problem, ...]:
    """Load what must be refused and return its problems."""
    try:
        load_edited(texts, protocol)
    except InputError as error:
        return error.problems
    raise AssertionError("was accepted")
