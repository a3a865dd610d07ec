"""What events say, for whoever reads facts out of their words; reasons: rig.record.reasons.

The record keeps these facts in words alone. Each pattern is held by a test against the part of the
program that writes those words.
"""

from __future__ import annotations

import re
from typing import Final

MISSED: Final = "spray period missed"
"""How the event of a missed period begins."""
WAS_DRY: Final = re.compile(r"was dry for ([\d.]+) h")
"""In the event at the end of a dry spell: how long it was."""
CAN_OUTSIDE: Final = re.compile(r", outside \d+ ?%$")
"""How the event of a catch can ends whose face has not its share of the water."""
WATER_SUM: Final = "water:"
"""How the event begins in which the water of a test is summed up."""
FORETOLD: Final = re.compile(r"expected at cycle ([\d,]+), with 80 % between ([\d,]+) and ([\d,]+)")
"""In the event of a forecast: its median, and the ends of its interval."""
PRESTRESS: Final = re.compile(r"effective prestress ([\d,]+) MPa")
"""In the event of a static check."""
INTERVAL: Final = re.compile(r"95 % interval (-?[\d.]+) to (-?[\d.]+)\)")
"""In the event of a static check: between which loads [kN] cracks re-open."""
WATER_TROUBLE: Final = ("flow lost", "flow not confirmed", "the pump ", "re-wetting given up")
"""How the events begin in which water did not come as it should, without a period being missed."""
MOVED: Final = "moved: "
"""How the text of a reading begins that was taken when a sensor was moved, whatever the load."""
TRIPPED: Final = "; stopped by limit: "
"""In the reason of a failure that a limit found first."""
SHORT: Final = "load short"
"""In the verdict of a test that ended because the load was short."""
STOPPING: Final = "stopping"
"""How the state begins in which the program ends a test."""
PAUSING: Final = "pausing, "
UNATTENDED: Final = "pausing, unattended"
FOUND: Final = ("pausing, finding", "pausing, no flow", UNATTENDED)
"""How the states begin that something found has paused, and nobody asked for."""
NOBODY_CAME: Final = "starting, wait over"
"""How the state begins after an inspection at which nobody was."""
UNRECORDED: Final = re.compile(r"(?!0 cycles)(?:about )?\d+ cycles run and not recorded")
"""How the event begins by which a specimen has seen more cycles than are counted."""
LET_GO_ON: Final = ("starting, continue", "re-wetting, long dry")
"""How the states begin after a pause that somebody let end: at once, or wetted before."""
UNCONFIRMED: Final = "unconfirmed: no stroke channel"
"""In the reason of a failure that no stroke channel told from a sensor that slipped."""
GOES_ON: Final = "goes on"
"""In the event of a pause that was none, since nobody could have looked."""
