"""The rig file of a recording as one of a simulated rig."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, Final

from rig.errors import InputError

ROOM: Final = 5.0
"""Largest load of an actuator that is filled in, over the recorded upper load."""
FLOW: Final = 2.5e-5
"""Flow [m3/s] of a pump that is filled in where the protocol asks for none."""
MADE: Final = "recording"
"""Driver of a rig file that an import made: its actuator and pump were nobody's."""
_BOUNDLESS: Final = re.compile(r"^\[(?:actuator|pump)\][^\n]*\n(?:(?!\[).*\n)*", re.MULTILINE)
_DRIVER: Final = re.compile(r"^([ \t]*driver[ \t]*=).*$", re.MULTILINE)

_ACTUATOR: Final = """
[actuator]                     # filled in: the recording does not tell
load = ["-{low:.0f} N", "{high:.0f} N"]
stroke = ["-60 mm", "60 mm"]
speed = "100 mm/s"
frequency = "50 Hz"
limits = "controller"
"""
_PUMP: Final = """
[pump]                         # filled in: the recording does not tell
flow = "{flow:.6g} L/min"
tank = "1000 L"
"""
_SERVO: Final = """
[simulation]                   # filled in: the recording does not tell
servo_bandwidth = "{bandwidth:.4g} Hz"
"""
QUICK: Final = 5.0
"""Bandwidth of a servo that is filled in, over the frequency: it reaches the load."""
BANDWIDTH: Final = (20.0, 1000.0)  # [Hz]


def rig_text(recorded: str, path: Path, upper: float, frequency: float, flow: float = FLOW) -> str:
    """Return a recorded rig file with the simulated driver, and with what it lacks.

    `upper` is the recorded upper load [N], `frequency` that of the cycles [Hz], `flow` what a
    pump that is filled in gives [m3/s]. Raises InputError where the file cannot be read.
    """
    told = _read(recorded, path)
    if told.get("driver") == MADE:
        recorded = _BOUNDLESS.sub("", f"{recorded}\n")
        told = _read(recorded, path)
    text = _DRIVER.sub(r'\1 "simulated"', recorded, count=1)
    if _read(text, path) != {**told, "driver": "simulated"}:
        raise InputError(
            f"{path}: the rig file that the recording keeps cannot be used: its driver is not on a "
            "line of its own"
        )
    text = f"# The rig of the recording {str(path)!r}, simulated.\n{text.rstrip()}\n"
    if "actuator" not in told:
        high = ROOM * abs(upper)
        text += _ACTUATOR.format(low=0.1 * high, high=high)
    if "pump" not in told:
        text += _PUMP.format(flow=flow * 6e4)
    if "simulation" not in told:
        wanted = min(max(QUICK * frequency, BANDWIDTH[0]), BANDWIDTH[1])
        text += _SERVO.format(bandwidth=wanted)
    return text


def _read(text: str, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError as error:
        raise InputError(
            f"{path}: the rig file that the recording keeps cannot be used: {error}"
        ) from error
