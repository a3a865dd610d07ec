"""The rig file of an emulated rig: what a laboratory would write for hardware like it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from rig.channels import Channel
from rig.protocol.plan import RigPlan
from simulators.wire.samples import said_in
from simulators.wire.trust_text import calibration_lines, trust_tables
from simulators.wire.uart import Framing
from simulators.wire.written import DIMENSIONS, pair, quoted, steps, written

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
@COILS@  { what = "emergency_stop", table = "discrete", at = 0, true_is = 0 },   # open: pressed
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
_SHUNT: Final = '  { what = "shunt", table = "coil", at = 1 },   # resistors across the gauges\n'
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


def shunts(rig: RigPlan) -> dict[str, float]:
    """Return what sampled channels show more with their shunt resistor on [SI]."""
    kept = rig.trust.calibrations
    found = {c.name: kept[c.name].shunt for c in rig.sampled if c.name in kept}
    return {name: value for name, value in found.items() if value is not None}


def _head(rig: RigPlan) -> str:
    return f"""\
# The rig file of an emulated rig: its devices are programs at the ends of pseudo-terminals.
# All data is invented for the demonstration. On hardware a port's path is one of those in
# /dev/serial/by-id, and [controller.actions] holds the commands of your own controller.
name = {quoted(f"{rig.name}, emulated")}
driver = "serial"
rate = {quoted(written(rig.rate, "frequency", "kHz", "Hz"))}
stale_after = "500 ms"         # inputs that are older count as lost
local_input = {quoted(rig.local_input or "button")}
"""


def _actuator(rig: RigPlan) -> str:
    actuator = rig.actuator
    return f"""\
[actuator]
load = {pair(actuator.load, "force", "kN", "N")}
stroke = {pair(actuator.stroke, "length", "mm")}
speed = {quoted(written(actuator.speed, "speed", "mm/s"))}
frequency = {quoted(written(actuator.frequency, "frequency", "Hz"))}
limits = {quoted(actuator.limits)}
"""


def _port(name: str, path: str, framing: Framing) -> str:
    lines = [
        "[[port]]",
        f"name = {quoted(name)}",
        f"path = {quoted(path)}",
        f"baud = {framing.baud}",
        f"parity = {quoted(framing.parity)}",
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
        yield "\n".join([*_channel(channel), source, *_calibration(rig, channel)])
    for channel in slow_channels(rig):
        yield "\n".join([*_channel(channel), "slow = true", *_calibration(rig, channel)])


def _calibration(rig: RigPlan, channel: Channel) -> list[str]:
    kept = rig.trust.calibrations.get(channel.name)
    return [] if kept is None else calibration_lines(channel.unit, kept)


def _channel(channel: Channel) -> Iterable[str]:
    dimension, *units = DIMENSIONS[channel.unit]
    step = steps(channel.unit)
    yield "[[channel]]"
    yield f"name = {quoted(channel.name)}"
    yield f"resolution = {quoted(written(channel.resolution, *step))}"
    if channel.noise:
        yield f"noise = {quoted(written(channel.noise, *step))}"
    yield f"range = {pair((channel.low, channel.high), dimension, *units)}"


def _stations(rig: RigPlan) -> str:
    level = any(c.name == "level" for c in slow_channels(rig))
    coils = (_HORN if rig.warning else "") + (_SHUNT if shunts(rig) else "")
    return (
        _STATIONS.replace("@PUMP@", _PUMP if rig.pump else "")
        .replace("@LEVEL@", _LEVEL if level else "")
        .replace("@COILS@", coils)
    )


def _rest(rig: RigPlan) -> Iterator[str]:
    if rig.pump:
        flow = written(rig.pump.flow, "flow", "L/min")
        tank = written(rig.pump.tank, "volume", "L")
        lines = ["[pump]", f"flow = {quoted(flow)}", f"tank = {quoted(tank)}"]
        if rig.pump.make_up:
            lines.append(f"make_up = {quoted(written(rig.pump.make_up, 'flow', 'L/min'))}")
        yield "\n".join(lines)
    if rig.warning:
        before = written(rig.warning.before, "time", "s")
        yield f"[warning_signal]\nkind = {quoted(rig.warning.kind)}\nbefore = {quoted(before)}"
    if rig.limits:
        yield "\n".join(["[limits]", *_limits(rig)])
    yield "\n".join(["[stops]", *(f"{cause} = {number}" for cause, number in rig.stops.items())])
    yield from trust_tables(rig.trust)


def _limits(rig: RigPlan) -> Iterator[str]:
    units = {channel.name: channel.unit for channel in rig.channels}
    for name, bounds in rig.limits.items():
        yield f"{name} = {pair(bounds, *DIMENSIONS[units.get(name, 'm')])}"
