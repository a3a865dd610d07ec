"""What a row of the sheet of broken files is."""

from __future__ import annotations

from dataclasses import dataclass

from tests.protocol.texts import WET

DRY = "dry-short.toml"
STATIC = "static-ultimate.toml"
LAST = ""
"""A place that stands for the last line of the file."""


@dataclass(frozen=True)
class Broken:
    """One edit of a shipped file and what must be said of it.

    `at` is a text whose first line is the line to be named, in the protocol where the edited file
    does not hold it; `phrase` is part of the message.
    """

    name: str
    old: str
    new: str
    at: str
    field: str
    phrase: str
    file: str = WET
    protocol: str = WET


FATIGUE = '[[stage]]\nname = "fatigue"'
APPROACH = """kind = "approach"              # stroke control until contact
contact = "2 kN"
speed = "0.5 mm/s"
give_up_after = "10 mm"
settle = "60 s"  # before seating
"""
HOLD = """kind = "hold"
at = "1 kN"
duration = "1 min"
"""
FAILURE = """[failure]
stiffness_loss = { warn = "20 %", stop = "40 %", confirm = "100 cycles" }
stiffness_step = { pause = "5 %", within = "20 cycles" }
residual_growth = { warn = "50 %" }
load_short = { stop = "5 %", confirm = "5 cycles" }
"""
LIMITS = """[limits]
load = ["-2 kN", "97 kN"]
deflection = ["-0.5 mm", "4 mm"]
"""
LIMITS_LOAD = 'load = ["-2 kN", "97 kN"]'
CYCLIC = """
[limits.cyclic]                # learned, armed after the baseline
load = ["50 % of lower", "105 % of upper"]
deflection = "200 % of settled maximum"
stroke = "1.5 mm beyond settled"
"""
ATTENDANCE = 'by = ["30 min", "2 h", "20000 cycles"]'
PRE_CRACK = '''kind = "static"
control = "deflection"
to = "upper"
speed = "0.2 mm/min"
speed_after_crack = "0.5 mm/min"'''
