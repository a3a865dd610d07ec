"""Two servo controllers that have nothing in common but what they do, as rig files and as peers."""

from __future__ import annotations

import re
from collections import deque
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from typing import Any

from drivers.controller import SerialActuator
from rig.clock import SystemClock
from rig.ports import ActuatorRange
from rig.protocol.wire import Controller, Port, Scaling
from tests.drivers.text_links import PATIENT
from tests.drivers.text_peer import Peer, Piece, whole

KIP = 4448.2216152605
"""One kip in newtons; NIST Special Publication 811 (2008), appendix B.8, exact by definition."""
INCH = 0.0254
"""One inch in metres; there too."""

RANGE = ActuatorRange(-20e3, 250e3, -0.05, 0.1, 0.1, 10.0)

SCPI = Controller(
    port="servo",
    identity="emulated controller",
    actions={
        "identify": ("*IDN?",),
        "error": ("SYSTem:ERRor?",),
        "echo": ("*ESE {number};*ESE?",),
        "status": ("STATus:RIG?",),
        "pressure off": ("OUTPut:PRESsure OFF",),
        "pressure low": ("OUTPut:PRESsure LOW",),
        "pressure high": ("OUTPut:PRESsure HIGH",),
        "stroke": ("SOURce:STRoke:RAMP {to},{speed}",),
        "load": ("SOURce:FORCe:RAMP {to},{rate}",),
        "deflection": ("SOURce:DEFLection:RAMP {to},{speed}",),
        "cycle": (
            "SOURce:FUNCtion SINusoid;FREQuency {frequency};FORCe:OFFSet {mean};"
            "AMPLitude {amplitude}",
            "SOURce:CYCLe:STARt {over}",
        ),
        "adjust": ("SOURce:FORCe:OFFSet {mean};AMPLitude {amplitude};:SOURce:CYCLe:CHANge",),
        "end cycling": ("SOURce:CYCLe:END {over}",),
        "hold": ("SOURce:HOLD",),
        "close valve": ("OUTPut:VALVe OFF",),
        "write limit": ("CALCulate:LIMit:{limit} {low},{high}",),
        "read limit": ("CALCulate:LIMit:{limit}?",),
        "count": ("SOURce:CYCLe:STOP {count}",),
        "no count": ("SOURce:CYCLe:STOP OFF",),
        "heartbeat": ("SYSTem:BEAT",),
    },
    fields=("mode", "moving", "counter", "tripped", "stopped_by", "pressure", "stroke"),
    words={
        "OFF": "off",
        "LOW": "low",
        "HIGH": "high",
        "STR": "stroke",
        "FORC": "load",
        "DEFL": "deflection",
        "NONE": "",
        "LIM": "limit",
        "COUN": "count",
        "WATC": "watchdog",
    },
    units={
        "force": Scaling(1e3),
        "length": Scaling(1e-3),
        "speed": Scaling(1e-3),
        "force rate": Scaling(1e3),
        "frequency": Scaling(1.0),
        "time": Scaling(1.0),
    },
    limits={"load": "FORCe", "stroke": "STRoke"},
)
"""The one that the emulation speaks."""

OTHER = Controller(
    port="servo",
    identity="TESTBOX",
    actions={
        "identify": ("WHO",),
        "error": ("ER",),
        "echo": ("RPT {number}",),
        "status": ("ST",),
        "pressure off": ("HYD 0",),
        "pressure low": ("HYD 1",),
        "pressure high": ("HYD 2",),
        "stroke": ("RATE {speed}", "GO POS {to}"),
        "load": ("RATE {rate}", "GO LOAD {to}"),
        "cycle": ("SINE m={mean} a={amplitude} f={frequency}", "RUN {over}"),
        "adjust": ("SINE m={mean} a={amplitude}",),
        "end cycling": ("FADE {over}",),
        "hold": ("STAY",),
        "close valve": ("SHUT",),
        "write limit": ("LIM {limit} LO={low} HI={high}",),
        "read limit": ("LIM {limit}",),
        "count": ("AT {count}",),
        "no count": ("AT 0",),
        "heartbeat": ("B",),
    },
    fields=("pressure", "stroke", "-", "counter", "mode", "stopped_by", "tripped", "moving"),
    words={
        "pressure 0": "off",
        "pressure 1": "low",
        "pressure 2": "high",
        "mode 0": "off",
        "mode 1": "stroke",
        "mode 2": "load",
        "mode 3": "deflection",
        "stopped_by 0": "",
        "stopped_by 1": "limit",
        "stopped_by 2": "count",
        "stopped_by 3": "watchdog",
        "tripped 0": "",
        "tripped 1": "load",
        "tripped 2": "stroke",
    },
    units={
        "force": Scaling(KIP),
        "length": Scaling(INCH),
        "speed": Scaling(INCH),
        "force rate": Scaling(KIP / 60),
        "frequency": Scaling(1.0),
        "time": Scaling(60.0),
    },
    limits={"load": "L1", "stroke": "P1"},
    decimals=4,
    line_end="\r\n",
)
"""One of other words, other fields in another order, US units, and CR LF."""

SOFTWARE_ONLY = replace(
    SCPI,
    actions={
        k: v
        for k, v in SCPI.actions.items()
        if k not in ("deflection", "heartbeat", "write limit", "read limit")
    },
    limits={},
)
"""One without limits and watchdog of its own."""


@dataclass
class Box:
    """What a controller remembers, and how it answers; `commands` are the lines without answer."""

    identity: str
    status: str
    queue: deque[str] = field(default_factory=deque)
    limits: dict[str, str] = field(default_factory=dict)
    refuse: Callable[[str], str | None] = lambda _command: None
    commands: list[str] = field(default_factory=list)
    way: Callable[[bytes], list[Piece]] = whole

    def scpi(self, line: str) -> list[Piece]:
        """Answer as `SCPI` has it."""
        if line == "*IDN?":
            return self.say(self.identity)
        if line == "SYSTem:ERRor?":
            return self.say(self.queue.popleft() if self.queue else '0,"No error"')
        if sent := re.fullmatch(r"\*ESE ([0-9]+);\*ESE\?", line):
            return self.say(sent[1])
        if line == "STATus:RIG?":
            return self.say(self.status)
        if asked := re.fullmatch(r"CALCulate:LIMit:(FORCe|STRoke)\?", line):
            return self.say(self.limits.get(asked[1], "-999,999"))
        if given := re.fullmatch(r"CALCulate:LIMit:(FORCe|STRoke) (.*)", line):
            self.limits[given[1]] = given[2]
        return self.obey(line)

    def other(self, line: str) -> list[Piece]:
        """Answer as `OTHER` has it."""
        if line == "WHO":
            return self.say(self.identity, "\r\n")
        if line == "ER":
            return self.say(self.queue.popleft() if self.queue else "0", "\r\n")
        if sent := re.fullmatch(r"RPT ([0-9]+)", line):
            return self.say(sent[1], "\r\n")
        if line == "ST":
            return self.say(self.status, "\r\n")
        if asked := re.fullmatch(r"LIM (L1|P1)", line):
            return self.say(self.limits.get(asked[1], "-999;999"), "\r\n")
        if given := re.fullmatch(r"LIM (L1|P1) LO=(.*) HI=(.*)", line):
            self.limits[given[1]] = f"{given[2]};{given[3]}"
        return self.obey(line)

    def say(self, text: str, end: str = "\n") -> list[Piece]:
        return self.way((text + end).encode("latin-1"))

    def obey(self, line: str) -> list[Piece]:
        self.commands.append(line)
        error = self.refuse(line)
        if error is not None:
            self.queue.append(error)
        return []


def scpi_box() -> Box:
    return Box("nightrig,emulated controller,1,1", "FORC,1,1234,NONE,NONE,HIGH,12.345000")


def other_box() -> Box:
    return Box('"TESTBOX 3, REV B"', '2;0.486024;"oil ok; 41";1.234E+3;2;0;0;1')


def port(peer: Peer, within: float = PATIENT, **more: Any) -> Port:
    return Port("servo", str(peer.path), 115200, answer_within=within, **more)


@asynccontextmanager
async def driven(
    peer: Peer,
    box: Box,
    plan: Controller = SCPI,
    clock: SystemClock | None = None,
    within: float = PATIENT,
    **more: Any,
) -> AsyncIterator[SerialActuator]:
    peer.answer = box.other if plan is OTHER else box.scpi
    actuator = SerialActuator(port(peer, within, **more), plan, RANGE, clock or SystemClock())
    await actuator.open()
    try:
        yield actuator
    finally:
        await actuator.close()
