"""What a rig file says of ports and of the devices at their other ends: plain values in SI.

A `Wire` is all that the serial drivers know of a laboratory's hardware.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Scaling:
    """From what a device says to SI: SI = said * factor + offset."""

    factor: float = 1.0
    offset: float = 0.0

    def si(self, said: float) -> float:
        """Return what a device said in SI."""
        return said * self.factor + self.offset

    def said(self, si: float) -> float:
        """Return an SI value as the device says it."""
        return (si - self.offset) / self.factor


@dataclass(frozen=True, slots=True)
class Port:
    """One serial port and how it is spoken to.

    `parity` is "none", "even" or "odd". An answer must begin within `answer_within` [s]; a
    question without one is asked `ask_again` more times. With `reopen` a port that was unplugged
    is opened again when it is back.
    """

    name: str
    path: str
    baud: int
    parity: str = "none"
    stop_bits: int = 1
    answer_within: float = 0.2
    ask_again: int = 1
    reopen: bool = True


@dataclass(frozen=True, slots=True)
class Controller:
    """A servo controller that obeys text lines.

    `actions` gives the lines of each action (see `ACTIONS`), with placeholders such as `{to}`;
    `units` the scaling of each kind of number: "force", "length", "speed", "force rate",
    "frequency", "time". Numbers are written with `decimals`. `fields` names, in order, what the
    answer to the action "status" holds (see `STATUS`); `words` what its words mean, such as
    "HIGH" -> "high". `limits` names the controller's own limits by channel. `identity` is a text
    that the answer to "identify" must contain, "" for any.
    """

    port: str
    actions: Mapping[str, tuple[str, ...]]
    fields: tuple[str, ...]
    words: Mapping[str, str]
    units: Mapping[str, Scaling]
    limits: Mapping[str, str]
    identity: str = ""
    decimals: int = 6
    line_end: str = "\n"


ACTIONS: Mapping[str, tuple[str, ...]] = {
    "identify": (),
    "error": (),
    "echo": ("number",),
    "status": (),
    "pressure off": (),
    "pressure low": (),
    "pressure high": (),
    "stroke": ("to", "speed"),
    "load": ("to", "rate"),
    "deflection": ("to", "speed"),
    "cycle": ("mean", "amplitude", "frequency", "over"),
    "adjust": ("mean", "amplitude"),
    "end cycling": ("over",),
    "hold": (),
    "close valve": (),
    "write limit": ("limit", "low", "high"),
    "read limit": ("limit",),
    "count": ("count",),
    "no count": (),
    "heartbeat": (),
}
"""What a controller is asked to do, and the placeholders that its lines may hold."""

STATUS: tuple[str, ...] = (
    "mode",
    "moving",
    "counter",
    "tripped",
    "stopped_by",
    "pressure",
    "stroke",
    "-",
)
"""What the answer to "status" may hold; "-" is a field that says nothing to us."""


@dataclass(frozen=True, slots=True)
class Source:
    """Where a sampled channel comes from: a port of samples, its number in the frame from 1."""

    channel: str
    port: str
    number: int
    scaling: Scaling


@dataclass(frozen=True, slots=True)
class Point:
    """One value of a Modbus device.

    `what` is a slow channel's name or one of `ROLES`. `table` is "coil", "discrete", "holding" or
    "input", `at` the address in the protocol (from 0), `kind` "bit", "int16", "uint16", "int32",
    "uint32" or "float32"; `high_first` tells the order of its two registers. A number outside
    `low` to `high` [SI] is no value. A bit is true where it reads `true_is`.
    """

    what: str
    table: str
    at: int
    kind: str
    scaling: Scaling = field(default_factory=Scaling)
    low: float = float("-inf")
    high: float = float("inf")
    high_first: bool = True
    true_is: bool = True
    every: float = 1.0


ROLES: tuple[str, ...] = (
    "pump",
    "pump_running",
    "horn",
    "shunt",
    "emergency_stop",
    "guard_open",
    "leak",
    "oil_pressure_low",
    "mains_lost",
    "local_button",
)
"""What a bit of a Modbus device may be: "pump", "horn" and "shunt" are written, the others read.

"shunt" switches the shunt resistors of the calibrated channels on.
"""


@dataclass(frozen=True, slots=True)
class ModbusDevice:
    """A device on a Modbus RTU bus: address 1 to 247.

    `watchdog` is where and what is written at the start, holding register and number, so that
    the device lets go of its outputs when nobody asks it any more; None where it has none.
    """

    name: str
    port: str
    address: int
    points: tuple[Point, ...]
    watchdog: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """One number in the answer of a slow instrument: its place from 1, for a slow channel."""

    channel: str
    place: int
    scaling: Scaling
    low: float = float("-inf")
    high: float = float("inf")


@dataclass(frozen=True, slots=True)
class Instrument:
    """A slow instrument that answers a text query, asked every so many seconds."""

    name: str
    port: str
    ask: str
    answers: tuple[Answer, ...]
    every: float = 2.0
    line_end: str = "\n"


@dataclass(frozen=True, slots=True)
class Wire:
    """Ports and devices of a rig.

    Inputs and slow values older than `stale_after` [s] count as lost.
    """

    ports: tuple[Port, ...]
    controller: Controller | None
    sources: tuple[Source, ...]
    modbus: tuple[ModbusDevice, ...]
    instruments: tuple[Instrument, ...]
    stale_after: float = 0.5

    def port(self, name: str) -> Port:
        """Return a port by its name. Raises KeyError for an unknown one."""
        for port in self.ports:
            if port.name == name:
                return port
        raise KeyError(name)
