"""The rig file of an emulated rig: what a laboratory would write for hardware like it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from rig.channels import Channel
from rig.protocol.plan import RigPlan
from rig.units import UNITS, parse
from simulators.wire.samples import said_in
from simulators.wire.uart import Framing

_ICE: Final = 273.15  # K

SLOW: Final = (
    Channel("flow", "m3/s", 1e-8, 0.0, 2e-4, slow=True),
    Channel("tank", "m3", 1e-4, 0.0, 10.0, slow=True),
    Channel("temperature_air", "K", 0.01, _ICE - 20, _ICE + 60, slow=True),
    Channel("temperature_water", "K", 0.01, _ICE, _ICE + 60, slow=True),
    Channel("temperature_oil", "K", 0.1, _ICE, _ICE + 100, slow=True),
)
"""Slow channels that every emulated rig has, unless its rig file says otherwise of them."""
SERVED: Final = frozenset({"level", *(channel.name for channel in SLOW)})
"""Slow channels that there is an emulated device for."""

_SETTINGS: Final[dict[str, tuple[str, ...]]] = {
    "servo": ('answer_within = "100 ms"', "ask_again = 1"),
    "samples": (),
    "bus": ('answer_within = "200 ms"', "ask_again = 1"),
    "thermometer": ('answer_within = "500 ms"', "ask_again = 1"),
}
_DIMENSIONS: Final = {
    "N": ("force", "kN", "N"),
    "m": ("length", "mm", "um"),
    "1": ("strain", "um/m", "mm/m"),
    "K": ("temperature", "degC"),
    "m3/s": ("flow", "L/min", "mL/min"),
    "m3": ("volume", "L"),
    "Pa": ("stress", "bar"),
}
"""By SI unit: its dimension, and the units in which it may be written."""

_CONTROLLER: Final = """
[controller]
port = "servo"
identity = "emulated controller"
decimals = 6
line_end = "LF"
units = { force = "kN", length = "mm", speed = "mm/s", "force rate" = "kN/s", \
frequency = "Hz", time = "s" }
status = ["mode", "moving", "counter", "tripped", "stopped_by", "pressure", "stroke"]
@LIMITS@

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
@LIMIT_ACTIONS@count = "SOURce:CYCLe:STOP {count}"
"no count" = "SOURce:CYCLe:STOP OFF"
heartbeat = "SYSTem:BEAT"
"""
_LIMITS: Final = 'limits = { load = "FORCe", stroke = "STRoke" }\n'
_LIMIT_ACTIONS: Final = """\
"write limit" = "CALCulate:LIMit:{limit} {low},{high}"
"read limit" = "CALCulate:LIMit:{limit}?"
"""
_STATIONS: Final = """
[[modbus]]
name = "water station"
port = "bus"
address = 1
watchdog = { at = 0, value = 500 }   # ms without a question after which it lets go of the pump
points = [
@PUMP@  { what = "leak", table = "discrete", at = 1 },
  { what = "flow", table = "input", at = 0, kind = "float32", unit = "L/min" },
  { what = "tank", table = "input", at = 2, kind = "float32", unit = "L" },
@LEVEL@  { what = "temperature_water", table = "input", at = 6, kind = "float32", unit = "degC" },
]

[[modbus]]
name = "cabinet"
port = "bus"
address = 2
watchdog = { at = 0, value = 5000 }
points = [
@HORN@  { what = "emergency_stop", table = "discrete", at = 0, true_is = 0 },   # open: pressed
  { what = "guard_open", table = "discrete", at = 1, true_is = 0 },
  { what = "oil_pressure_low", table = "discrete", at = 2, true_is = 0 },
  { what = "mains_lost", table = "discrete", at = 3, true_is = 0 },
  { what = "local_button", table = "discrete", at = 4 },
  { what = "temperature_oil", table = "input", at = 0, kind = "int16", unit = "degC", scale = 0.1 },
]

[[instrument]]
name = "thermometer"
port = "thermometer"
ask = "MEASure:TEMPerature?"
every = "2 s"
answers = [{ channel = "temperature_air", place = 1, unit = "degC" }]
"""
_PUMP: Final = """\
  { what = "pump", table = "coil", at = 0 },
  { what = "pump_running", table = "discrete", at = 0 },
"""
_LEVEL: Final = '  { what = "level", table = "input", at = 4, kind = "float32", unit = "mm" },\n'
_HORN: Final = '  { what = "horn", table = "coil", at = 0 },\n'


def rig_text(rig: RigPlan, paths: Mapping[str, str], framings: Mapping[str, Framing]) -> str:
    """Return the rig file of a simulated rig whose devices are at the ports with these paths.

    `paths` and `framings` have "servo", "samples", "bus" and "thermometer".
    """
    parts = [
        _head(rig),
        _actuator(rig),
        *(_port(name, paths[name], framings[name]) for name in _SETTINGS),
        _controller(rig),
        *_channels(rig),
        _stations(rig),
        *_rest(rig),
    ]
    return "\n".join(part.strip("\n") + "\n" for part in parts)


def slow_channels(rig: RigPlan) -> tuple[Channel, ...]:
    """Return the slow channels of an emulated rig: its own that a device serves, and `SLOW`."""
    own = {c.name: c for c in rig.channels if c.slow and c.name in SERVED}
    sampled = {c.name for c in rig.sampled}
    more = (c for c in SLOW if c.name not in own and c.name not in sampled)
    return (*own.values(), *more)


def _head(rig: RigPlan) -> str:
    return f"""\
# The rig file of an emulated rig: its devices are programs at the ends of pseudo-terminals.
# All data is invented for the demonstration. On hardware a port's path is one of those in
# /dev/serial/by-id, and [controller.actions] holds the commands of your own controller.
name = {_quoted(f"{rig.name}, emulated")}
driver = "serial"
rate = {_quoted(written(rig.rate, "frequency", "kHz", "Hz"))}
stale_after = "500 ms"         # inputs that are older count as lost
local_input = {_quoted(rig.local_input or "button")}
"""


def _actuator(rig: RigPlan) -> str:
    actuator = rig.actuator
    return f"""\
[actuator]
load = {_pair(actuator.load, "force", "kN", "N")}
stroke = {_pair(actuator.stroke, "length", "mm")}
speed = {_quoted(written(actuator.speed, "speed", "mm/s"))}
frequency = {_quoted(written(actuator.frequency, "frequency", "Hz"))}
limits = {_quoted(actuator.limits)}
"""


def _port(name: str, path: str, framing: Framing) -> str:
    lines = [
        "[[port]]",
        f"name = {_quoted(name)}",
        f"path = {_quoted(path)}",
        f"baud = {framing.baud}",
        f"parity = {_quoted(framing.parity)}",
        f"stop_bits = {framing.stop_bits}",
        *_SETTINGS[name],
    ]
    return "\n".join(lines)


def _controller(rig: RigPlan) -> str:
    own = rig.actuator.limits == "controller"
    return _CONTROLLER.replace("@LIMITS@\n", _LIMITS if own else "").replace(
        "@LIMIT_ACTIONS@", _LIMIT_ACTIONS if own else ""
    )


def _channels(rig: RigPlan) -> Iterator[str]:
    for number, channel in enumerate(rig.sampled, 1):
        source = f'from = {{ port = "samples", number = {number}, unit = "{said_in(channel)}" }}'
        yield "\n".join([*_channel(channel), source])
    for channel in slow_channels(rig):
        yield "\n".join([*_channel(channel), "slow = true"])


def _channel(channel: Channel) -> Iterable[str]:
    dimension, *units = _DIMENSIONS[channel.unit]
    step = ("temperature difference", "K") if dimension == "temperature" else (dimension, *units)
    yield "[[channel]]"
    yield f"name = {_quoted(channel.name)}"
    yield f"resolution = {_quoted(written(channel.resolution, *step))}"
    if channel.noise:
        yield f"noise = {_quoted(written(channel.noise, *step))}"
    yield f"range = {_pair((channel.low, channel.high), dimension, *units)}"


def _stations(rig: RigPlan) -> str:
    level = any(c.name == "level" for c in slow_channels(rig))
    return (
        _STATIONS.replace("@PUMP@", _PUMP if rig.pump else "")
        .replace("@LEVEL@", _LEVEL if level else "")
        .replace("@HORN@", _HORN if rig.warning else "")
    )


def _rest(rig: RigPlan) -> Iterator[str]:
    if rig.pump:
        flow = written(rig.pump.flow, "flow", "L/min")
        tank = written(rig.pump.tank, "volume", "L")
        yield f"[pump]\nflow = {_quoted(flow)}\ntank = {_quoted(tank)}"
    if rig.warning:
        before = written(rig.warning.before, "time", "s")
        yield f"[warning_signal]\nkind = {_quoted(rig.warning.kind)}\nbefore = {_quoted(before)}"
    if rig.limits:
        yield "\n".join(["[limits]", *_limits(rig)])
    yield "\n".join(["[stops]", *(f"{cause} = {number}" for cause, number in rig.stops.items())])


def _limits(rig: RigPlan) -> Iterator[str]:
    units = {channel.name: channel.unit for channel in rig.channels}
    for name, bounds in rig.limits.items():
        yield f"{name} = {_pair(bounds, *_DIMENSIONS[units.get(name, 'm')])}"


def written(value: float, dimension: str, *units: str) -> str:
    """Return a quantity [SI] as people write it: the shortest text that gives it back exactly.

    Where none does and the dimension has no SI unit to write it in, the last digit may be lost.
    """
    texts = []
    for unit in units:
        zero = parse(f"0 {unit}", dimension) if dimension == "temperature" else 0.0
        texts.append(f"{(value - zero) / UNITS[dimension][unit]:.12g} {unit}")
    exact = [text for text in texts if parse(text, dimension) == value]
    if exact:
        return min(exact, key=len)
    plain = (unit for unit, factor in UNITS[dimension].items() if factor == 1.0)
    unit = next(plain, units[0])
    return f"{value / UNITS[dimension][unit]!r} {unit}"


def _pair(bounds: tuple[float, float], dimension: str, *units: str) -> str:
    return f"[{', '.join(_quoted(written(bound, dimension, *units)) for bound in bounds)}]"


def _quoted(text: str) -> str:
    """Return text as a TOML string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
