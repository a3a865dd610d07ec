"""A rig file with every table of lines and devices, and what it is on simulated hardware."""

from __future__ import annotations

from rig.errors import InputError, Problem
from rig.protocol.load import load_rig
from rig.protocol.plan import RigPlan
from rig.protocol.wire import (
    Wire,
)
from tests.protocol.texts import (
    RIG,
    WET,
    WHOLE,
    load_edited,
)

FRAME = "rigs/frame.toml"

WIRED = """\
# A frame on serial lines. All data is invented.
name = "wired frame"
driver = "serial"
rate = "1 kHz"
local_input = "button"
stale_after = "500 ms"

[actuator]
load = ["-20 kN", "250 kN"]
stroke = ["-60 mm", "60 mm"]
speed = "100 mm/s"
frequency = "15 Hz"
limits = "controller"

[[port]]
name = "servo"
path = "/dev/pts/5"
baud = 115200
parity = "none"
stop_bits = 1
answer_within = "200 ms"
ask_again = 1
reopen = true

[[port]]
name = "samples"
path = "/dev/pts/6"
baud = 921600

[[port]]
name = "bus"
path = "/dev/pts/7"
baud = 19200
parity = "even"
answer_within = "100 ms"

[[port]]
name = "thermometer"
path = "/dev/pts/8"
baud = 9600
stop_bits = 2
ask_again = 0
reopen = false

[controller]
port = "servo"
identity = "emulated controller"
decimals = 5
line_end = "CRLF"
units = { force = "kN", length = "mm", speed = "mm/s", "force rate" = "kN/s", \
frequency = "Hz", time = "s" }
scale = { force = 10.0 }
limits = { load = "FORCe", stroke = "STRoke" }
status = ["mode", "moving", "counter", "tripped", "stopped_by", "pressure", "stroke", "-"]

[controller.words]
OFF = "off"
LOW = "low"
HIGH = "high"
STR = "stroke"
FORC = "load"
DEFL = "deflection"
NONE = ""
LIM = "limit"
COUN = "count"
WATC = "watchdog"

[controller.actions]
identify = "*IDN?"
error = "SYSTem:ERRor?"
echo = "*ESE {number};*ESE?"
status = "STATus:RIG?"
"pressure off" = "OUTPut:PRESsure OFF"
"pressure low" = "OUTPut:PRESsure LOW"
"pressure high" = "OUTPut:PRESsure HIGH"
stroke = "SOURce:STRoke:RAMP {to},{speed}"
load = "SOURce:FORCe:RAMP {to},{rate}"
deflection = "SOURce:DEFLection:RAMP {to},{speed}"
cycle = [
  "SOURce:FUNCtion SINusoid;FREQuency {frequency};FORCe:OFFSet {mean};AMPLitude {amplitude}",
  "SOURce:CYCLe:STARt {over}",
]
adjust = "SOURce:FORCe:OFFSet {mean};AMPLitude {amplitude};:SOURce:CYCLe:CHANge"
"end cycling" = "SOURce:CYCLe:END {over}"
hold = "SOURce:HOLD"
"close valve" = "OUTPut:VALVe OFF"
"write limit" = "CALCulate:LIMit:{limit} {low},{high}"
"read limit" = "CALCulate:LIMit:{limit}?"
count = "SOURce:CYCLe:STOP {count}"
"no count" = "SOURce:CYCLe:STOP OFF"
heartbeat = "SYSTem:BEAT"

[[channel]]
name = "load"
resolution = "5 N"
range = ["-25 kN", "260 kN"]
from = { port = "samples", number = 1, unit = "kN" }

[[channel]]
name = "midspan"
resolution = "0.5 um"
range = ["-5 mm", "50 mm"]
from = { port = "samples", number = 2, unit = "mm", scale = -0.5, zero = "25 mm" }

[[channel]]
name = "support_left"
resolution = "0.5 um"
range = ["-5 mm", "5 mm"]
from = { port = "samples", number = 4, unit = "in" }

[[channel]]
name = "flow"
resolution = "0.01 L/min"
range = ["0 L/min", "5 L/min"]
slow = true

[[channel]]
name = "tank"
resolution = "1 L"
range = ["0 L", "1000 L"]
slow = true

[[channel]]
name = "temperature_oil"
resolution = "0.1 K"
range = ["0 degC", "100 degC"]
slow = true

[[channel]]
name = "temperature_air"
resolution = "0.1 K"
range = ["-20 degC", "60 degC"]
slow = true

[[modbus]]
name = "water station"
port = "bus"
address = 1
watchdog = { at = 0, value = 500 }
points = [
  { what = "pump", table = "coil", at = 0 },
  { what = "pump_running", table = "discrete", at = 0 },
  { what = "leak", table = "discrete", at = 1 },
  { what = "flow", table = "input", at = 0, kind = "float32", unit = "L/min", \
limits = ["0 L/min", "5 L/min"] },
  { what = "tank", table = "input", at = 2, kind = "float32", unit = "L", high_first = false },
]

[[modbus]]
name = "cabinet"
port = "bus"
address = 247
points = [
  { what = "horn", table = "coil", at = 0 },
  { what = "emergency_stop", table = "discrete", at = 0, true_is = 0 },
  { what = "guard_open", table = "discrete", at = 1, true_is = 0 },
  { what = "oil_pressure_low", table = "discrete", at = 2, true_is = 0 },
  { what = "mains_lost", table = "discrete", at = 3, true_is = 0 },
  { what = "local_button", table = "discrete", at = 4 },
  { what = "temperature_oil", table = "holding", at = 0, kind = "int16", unit = "degF", \
scale = 0.1, every = "5 s" },
]

[[instrument]]
name = "thermometer"
port = "thermometer"
ask = "MEASure:TEMPerature?"
every = "10 s"
line_end = "CR"
answers = [{ channel = "temperature_air", place = 2, unit = "degC", zero = "-0.4 K", \
limits = ["-40 degC", "80 degC"] }]

[pump]
flow = "1.5 L/min"
tank = "1000 L"

[warning_signal]
kind = "horn"
before = "5 s"

[limits]
load = ["-20 kN", "250 kN"]
"""


def loaded(text: str) -> RigPlan:
    """Read a rig file from its text."""
    return load_rig(FRAME, lambda _: text)


def problems_in(text: str) -> tuple[Problem, ...]:
    """Read a rig file that must be refused and return its problems."""
    try:
        loaded(text)
    except InputError as error:
        return error.problems
    raise AssertionError("was accepted")


def wire_of(text: str) -> Wire:
    """Return what a rig file says of lines and devices."""
    wire = loaded(text).wire
    assert wire is not None
    return wire


def edited(*changes: tuple[str, str]) -> str:
    """Return the whole rig file with some words in it exchanged."""
    text = WIRED
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


def warnings_of(*changes: tuple[str, str]) -> list[str]:
    """Return what is warned of in an edited rig file beside what is warned of without the edit."""
    return list(load_edited({RIG: edited(*changes), WET: WHOLE}).warnings)
